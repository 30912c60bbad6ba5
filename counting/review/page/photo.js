/* One frame opened large: rings on the fruit, a tap adds or strikes out, Next goes on. */

const desk = { index: -1, since: 0, scroll: 0, pushed: false };
const stage = makeStage($('stage'), {
  tap: (mark, place) => tapped(mark, place),
  hold: (mark, place) => openCard(mark, place),
  dragged: (mark, fields) => {
    setMarks(desk.index, withMark(desk.index, mark.mark, fields));
    stage.current = mark.mark;
  },
  looped: (path) => looped(path),
});

function tapped(mark, place) {
  const { index } = desk;
  if (stage.tool === 'loop') {
    if (mark && mark.truss !== null) openCard(mark);
    return;
  }
  if (mark) {
    strikeAt(mark.mark);
  } else if (place) {
    stage.current = null;
    add(index, ...place);
    say(`Fruit added, ${countOf(index)}`);
  }
  refresh();
}

function strikeAt(number) {
  const done = strike(desk.index, number);
  stage.current = recordOf(desk.index).marks.some((mark) => mark.mark === number) ? stage.current : null;
  say(`${done === 'removed' ? 'Struck out' : 'Back again'}, ${many(countOf(desk.index), 'fruit', 'fruit')}`);
}

/** Let the device's own "back" lead back here; some browsers forbid it for files. */
function remember(how, state, index) {
  try {
    window.history[how](state, '', `#${index + 1}`);
    return true;
  } catch (error) {
    return false;
  }
}

/** Open a photo large. */
function openPhoto(index, { history: write = true } = {}) {
  if (index < 0) return;
  if (!keep.reviewer) {
    askName(() => openPhoto(index, { history: write }));
    return;
  }
  leave();
  if ($('photo').hidden) {
    desk.scroll = window.scrollY;
    $('contact').hidden = true;
    $('photo').hidden = false;
    if (write) desk.pushed = remember('pushState', { photo: index }, index);
  } else if (write) {
    remember('replaceState', { photo: index }, index);
  }
  desk.index = index;
  desk.since = Date.now();
  stage.show(index);
  refresh();
  stage.element.focus({ preventScroll: true });
  const sentences = sentencesOf(index);
  say([`Photo ${index + 1} of ${photos.length}. ${countOf(index)} fruit proposed.`, ...sentences].join(' '));
  const following = nextOpen(index);
  if (following >= 0) photoSource(following).then((source) => { new Image().src = source; }, () => {});
}

/** Go back to the sheet. */
function closePhoto({ history: write = true } = {}) {
  if ($('photo').hidden) return;
  leave();
  const { index } = desk;
  desk.index = -1;
  $('photo').hidden = true;
  $('contact').hidden = false;
  if (write && desk.pushed) window.history.back();
  layout();
  drawHead();
  window.scrollTo(0, desk.scroll);
  focusFrame(index);
}

/** Count the time spent looking; a pause counts for half a minute at most. */
function tick() {
  if (desk.index < 0) return;
  const now = Date.now();
  const record = recordOf(desk.index);
  record.seconds += Math.min(now - desk.since, 30000) / 1000;
  desk.since = now;
}
const leave = () => tick();

/** The next photo still to answer in the order shown, -1 when none is left. */
function nextOpen(index) {
  const order = [...photos.keys()];
  const after = [...order.slice(index + 1), ...order.slice(0, index)];
  const wanted = contact.filter === 'flagged' ? after.filter((each) => photos[each].flags.length) : after;
  const found = wanted.find((each) => !answered(each));
  return found === undefined ? -1 : found;
}

/** Answer and go on. */
function give(word) {
  tick();
  const { index } = desk;
  answer(index, word);
  const following = nextOpen(index);
  if (following >= 0) {
    openPhoto(following);
    return;
  }
  closePhoto();
  say('All photos are answered.');
  if (!live) openMenu();
}

/** Show what changed: marks, number, buttons. */
function refresh() {
  const { index } = desk;
  if (index < 0) return;
  const record = recordOf(index);
  const counted = countOf(index);
  const unsure = unsureOf(index);
  $('count').textContent = String(counted);
  $('counted').textContent = unsure ? `fruit, ${unsure} not sure` : 'fruit';
  $('number').textContent = `${index + 1}`;
  const pace = paceWords();
  $('pace').textContent = `of ${photos.length}${pace ? `, ${pace}` : ''}`;
  $('label').textContent = photos[index].label;
  const truss = photos[index].truss;
  const reasons = sentencesOf(index);
  if (truss !== null) reasons.push(`Count truss ${truss} only.`);
  $('reason').textContent = reasons.join(' ');
  $('reason').hidden = !reasons.length;
  $('hint').hidden = finished() > 0 || stage.tool === 'loop';
  $('cannot').setAttribute('aria-pressed', String(record.answer === 'cannot tell'));
  $('retake').setAttribute('aria-pressed', String(record.answer === 'retake'));
  $('next').classList.toggle('given', record.answer === 'counted');
  $('undo').disabled = !past.length;
  $('redo').disabled = !future.length;
  $('loop').hidden = truss !== null;
  $('loop').setAttribute('aria-pressed', String(stage.tool === 'loop'));
  $('other').hidden = together(index).length < 2;
  $('previous').disabled = index === 0;
  drawOffer();
  stage.label();
  stage.paint();
}

function undoShown(step) {
  if (pair.open && step === undo && past.length <= pair.depth) return;
  const index = step();
  if (index < 0) return;
  if (!$('photo').hidden && index !== desk.index) openPhoto(index);
  say(step === undo ? 'Undone' : 'Done again');
  refresh();
}

/** Move the current mark on to the next one and bring it into sight. */
function stepMark(by) {
  const { marks } = recordOf(desk.index);
  if (!marks.length) return;
  const order = [...marks].sort((a, b) => Math.round(a.y / 80) - Math.round(b.y / 80) || a.x - b.x);
  const at = order.findIndex((mark) => mark.mark === stage.current);
  const mark = order[(at + by + order.length + (at < 0 && by < 0 ? 1 : 0)) % order.length];
  stage.current = mark.mark;
  stage.pointer = null;
  stage.view.show(mark.x, mark.y);
  say(markWords(desk.index, mark));
  stage.paint();
}

const currentMark = () => recordOf(desk.index).marks.find((mark) => mark.mark === stage.current);

function changeCurrent(fields, said) {
  const mark = currentMark();
  if (!mark) return;
  setMarks(desk.index, withMark(desk.index, mark.mark, fields(mark)));
  say(said || markWords(desk.index, currentMark()));
  refresh();
}

const unsureFields = (mark) => ({
  state: mark.state === 'unsure' ? (mark.candidate === null ? 'added' : 'proposed') : 'unsure',
});
const sizeFields = (factor) => (mark) => {
  const photo = photos[desk.index];
  const most = Math.min(photo.width / mark.width, photo.height / mark.height);
  const by = Math.min(Math.max(factor, 4 / Math.min(mark.width, mark.height)), most);
  return { width: mark.width * by, height: mark.height * by };
};

/** All that can be said about one mark: a slip that a long press or right click opens. */
function openCard(mark, place = null) {
  if ($('card').open) return;
  const { index } = desk;
  stage.current = mark.mark;
  stage.paint();
  const number = mark.mark;
  const read = () => recordOf(index).marks.find((each) => each.mark === number);
  const step = (fields) => () => {
    if (!read()) return;
    stage.current = number;
    changeCurrent(fields);
    fill();
  };
  const close = () => $('card').close();
  const truss = (by) => step((each) => {
    const value = (each.truss || 0) + by;
    return { truss: value >= 1 ? Math.min(value, 999) : null };
  });
  function fill() {
    const now = read();
    if (!now) return close();
    const row = (text, ...buttons) => make('div', { class: 'slip-row' }, make('span', { text }), ...buttons);
    const press = (text, onclick, label, pressed = null) => make('button', {
      type: 'button', class: 'press', onclick, 'aria-label': label || text,
      'aria-pressed': pressed === null ? null : String(pressed),
    }, text);
    const rows = [
      make('h2', { id: 'card-name', text: `Fruit ${recordOf(index).marks.indexOf(now) + 1}` }),
      make('div', { class: 'slip-row' },
        press('Not sure', step(unsureFields), '', now.state === 'unsure'),
        press('Too small to count', step((each) => ({ small: !each.small })), '', now.small)),
      row('Size', press('−', step(sizeFields(1 / 1.12)), 'Smaller ring'), press('+', step(sizeFields(1.12)), 'Larger ring')),
    ];
    if (photos[index].truss === null) {
      rows.push(row(now.truss === null ? 'No truss' : `Truss ${now.truss}`,
        press('−', truss(-1), 'Lower truss number'), press('+', truss(1), 'Higher truss number')));
    }
    if (place) {
      rows.push(press('One more fruit here', () => {
        add(index, ...place);
        say(`Fruit added, ${countOf(index)}`);
        close();
        refresh();
      }));
    }
    if (together(index).length > 1) {
      rows.push(press('Same fruit in another photo', () => {
        close();
        openPair(index, number);
      }));
    }
    rows.push(make('div', { class: 'slip-row end' },
      press(now.state === 'removed' ? 'Put back' : 'Strike out', () => {
        strikeAt(number);
        close();
      }),
      make('button', { type: 'button', class: 'press strong', onclick: close }, 'Done')));
    $('card').replaceChildren(...rows);
    return undefined;
  }
  fill();
  $('card').showModal();
}
