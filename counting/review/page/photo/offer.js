/* The line under the photo: what can be done just now, with the loop, the last strike, the sizes. */

import { isStruck, recordOf, setMarks, strikeMany, striking } from '../work/book.js';
import { $, make, photos, say } from '../ground/data.js';
import { desk } from '../work/desk.js';
import { refresh, stage } from './photo.js';
import { smallOnes } from './sizes.js';
import { t } from '../ground/texts.js';
import { trussOffer, within } from './trusses.js';

// what a loop caught, and what was struck last, as long as neither the photo nor the tool changes
const now = { index: -1, caught: null, struck: null };

const press = (words, onclick, pressed = null, more = '') => make('button', {
  type: 'button', class: `press${more}`, onclick, 'aria-pressed': pressed === null ? null : String(pressed),
}, words);

/** A loop was drawn to strike or keep: ask which. */
export function caught(path) {
  const { marks } = recordOf(desk.index);
  now.caught = new Set(marks.filter((mark) => within([mark.x, mark.y], path)).map((mark) => mark.mark));
  if (!now.caught.size) say(t('loop empty'));
  refresh();
}

/** Strike several, and offer to say what they are. */
function strikeSet(numbers, as = striking.as) {
  const number = strikeMany(desk.index, numbers, as);
  if (!number) return;
  now.struck = new Set(numbers);
  now.caught = null;
  say(t('struck n', { n: number }));
  refresh();
}

/** Remember what was struck last. */
export function struck(number) {
  now.struck = new Set([number]);
}

/** "No fruit" and "not this plant" are two answers: the last strike takes the one pressed. */
function chooseWord(as) {
  striking.as = as;
  const still = recordOf(desk.index).marks
    .filter((mark) => now.struck && now.struck.has(mark.mark) && isStruck(mark) && mark.state !== as);
  if (still.length) {
    const again = new Set(still.map((mark) => mark.mark));
    setMarks(desk.index, recordOf(desk.index).marks.map(
      (mark) => (again.has(mark.mark) ? { ...mark, state: as } : mark),
    ));
  }
  say(t(`state ${as}`));
  refresh();
}

/** What a struck ring is taken for; it stands there always, so that nothing moves under a finger. */
function drawWord() {
  $('word').replaceChildren(
    press(t('no fruit'), () => chooseWord('removed'), striking.as === 'removed'),
    press(t('not this plant'), () => chooseWord('elsewhere'), striking.as === 'elsewhere'),
  );
}

export function toggleStrike() {
  stage.tool = stage.tool === 'strike' ? 'mark' : 'strike';
  now.caught = null;
  say(t(stage.tool === 'strike' ? 'draw loop' : 'marking again'));
  refresh();
}

function loopOffer() {
  if (!now.caught || !now.caught.size) {
    return [make('span', { text: t(now.caught ? 'loop empty' : 'draw loop') }), press(t('done'), toggleStrike)];
  }
  const all = recordOf(desk.index).marks;
  const outside = new Set(all.filter((mark) => !now.caught.has(mark.mark) && !isStruck(mark)).map((mark) => mark.mark));
  return [
    press(t('strike inside', { n: now.caught.size }), () => strikeSet(now.caught), null, ' strong'),
    press(t('keep inside', { n: outside.size }), () => strikeSet(outside)),
    press(t('done'), toggleStrike),
  ];
}

/** Draw the line; it is empty, and away, where nothing needs to be offered. */
export function drawOffer() {
  const { index } = desk;
  if (now.index !== index) {
    now.index = index;
    now.caught = null;
    now.struck = null;
  }
  const { marks } = recordOf(index);
  let parts = [];
  if (stage.tool === 'loop' && photos[index].truss === null) parts = trussOffer(index);
  else if (stage.tool === 'strike') parts = loopOffer();
  $('offer').hidden = !parts.length;
  $('offer').replaceChildren(...parts);
  const small = smallOnes(index);
  const open = [...small].filter((number) => !isStruck(marks.find((mark) => mark.mark === number)));
  $('sizes').hidden = !small.size;
  $('sizes').disabled = !open.length;
  drawWord();
  $('sizes').textContent = t('strike small', { n: open.length });
}

/** Strike all that are much smaller than the others. */
export function strikeSmall() {
  strikeSet(smallOnes(desk.index), 'elsewhere');
}
