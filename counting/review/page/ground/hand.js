/* Which hand works: buttons stand on the side of its thumb. */

const KEPT = 'counting|hand';

export const isLeft = () => document.documentElement.dataset.hand === 'left';

function turn(hand) {
  document.documentElement.dataset.hand = hand;
  try {
    localStorage.setItem(KEPT, hand);
  } catch (error) {
    // only a convenience
  }
}

export function turnHand() {
  turn(isLeft() ? 'right' : 'left');
}

/** Take up the side chosen before. */
export function takeHand() {
  let kept = '';
  try {
    kept = localStorage.getItem(KEPT) || '';
  } catch (error) {
    kept = '';
  }
  document.documentElement.dataset.hand = kept === 'left' ? 'left' : 'right';
}
