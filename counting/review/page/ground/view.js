/* Where a photo lies on its stage: screen = photo * scale + shift. */

const CLOSEST = 14;

export function makeView(width, height) {
  const view = { width, height, room: [1, 1], scale: 1, x: 0, y: 0 };

  const fitted = () => Math.min(view.room[0] / width, view.room[1] / height);

  const closest = () => Math.max(view.most || 0, fitted() * CLOSEST);

  /** Keep the photo on the stage: centred where it is smaller, filling where it is larger. */
  function hold() {
    view.scale = Math.min(Math.max(view.scale, fitted()), closest());
    for (const [axis, side, at] of [['x', width, 0], ['y', height, 1]]) {
      const room = view.room[at];
      const length = side * view.scale;
      view[axis] = length <= room
        ? (room - length) / 2
        : Math.min(0, Math.max(room - length, view[axis]));
    }
  }

  view.fit = () => {
    view.scale = fitted();
    hold();
  };
  view.resize = (wide, high) => {
    const whole = view.scale <= fitted() * 1.001;
    const middle = view.toPhoto(view.room[0] / 2, view.room[1] / 2);
    view.room = [Math.max(1, wide), Math.max(1, high)];
    if (whole) return view.fit();
    view.x = view.room[0] / 2 - middle[0] * view.scale;
    view.y = view.room[1] / 2 - middle[1] * view.scale;
    return hold();
  };
  /** Zoom so that the photo's point under (x, y) stays there. */
  view.zoom = (factor, x, y) => {
    const [px, py] = view.toPhoto(x, y);
    view.scale *= factor;
    view.scale = Math.min(Math.max(view.scale, fitted()), closest());
    view.x = x - px * view.scale;
    view.y = y - py * view.scale;
    hold();
  };
  view.pan = (dx, dy) => {
    view.x += dx;
    view.y += dy;
    hold();
  };
  /** Bring a point of the photo into sight. */
  view.show = (px, py) => {
    const [x, y] = view.toStage(px, py);
    const margin = 60;
    const shift = (at, room) => (at < margin ? margin - at : Math.min(0, room - margin - at));
    view.pan(shift(x, view.room[0]), shift(y, view.room[1]));
  };
  view.toPhoto = (x, y) => [(x - view.x) / view.scale, (y - view.y) / view.scale];
  view.toStage = (px, py) => [px * view.scale + view.x, py * view.scale + view.y];
  view.zoomed = () => view.scale > fitted() * 1.01;
  return view;
}
