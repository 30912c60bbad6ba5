/* Begin: find the stores, take up what was kept, show the sheet. */

import { answered, book, recordOf, redo, undo } from '../work/book.js';
import { openCard } from '../photo/card.js';
import { drawHead, layout, planRows, renew } from './contact.js';
import { $, data, placeOf, shared, trouble } from '../ground/data.js';
import { desk, tick } from '../work/desk.js';
import { takeHand } from '../ground/hand.js';
import { openHelp } from './help.js';
import { listen } from '../ground/hub.js';
import { keep, keptName, keyOf, openKeep } from '../work/keep.js';
import { pressed } from './keys.js';
import { openMenu } from './menu.js';
import { askName, takeName } from '../work/names.js';
import { caught, drawOffer, strikeSmall, struck, toggleStrike } from '../photo/offer.js';
import { closePair, linkLikely, openPair, paintPair, pair } from '../photo/pair.js';
import { fillPaper } from './paper.js';
import {
  closePhoto, give, nextOpen, openPhoto, refresh, stage, toggleAdding, undoShown,
} from '../photo/photo.js';
import { drawSave, noteChange, saveFile, saving } from '../work/save.js';
import { outbox } from '../work/send.js';
import {
  closeTogether, drawWayIn, offerSeveral, openTogether, wireTogether,
} from './together.js';
import { fillTexts, sentence, t } from '../ground/texts.js';
import { looped, toggleLoop } from '../photo/trusses.js';

function wire() {
  $('begin').addEventListener('click', () => openPhoto(answered(0) ? nextOpen(0) : 0));
  $('save').addEventListener('click', saveFile);
  $('more').addEventListener('click', openMenu);
  $('back').addEventListener('click', () => closePhoto());
  $('previous').addEventListener('click', () => openPhoto(desk.index - 1));
  $('undo').addEventListener('click', () => undoShown(undo));
  $('redo').addEventListener('click', () => undoShown(redo));
  $('keys').addEventListener('click', openHelp);
  $('loop').addEventListener('click', toggleLoop);
  $('strike').addEventListener('click', toggleStrike);
  $('adding').addEventListener('click', toggleAdding);
  $('sizes').addEventListener('click', strikeSmall);
  $('other').addEventListener('click', () => openPair(desk.index));
  $('pair-back').addEventListener('click', () => closePair());
  $('pair-likely').addEventListener('click', linkLikely);
  $('pair-undo').addEventListener('click', () => { undoShown(undo); paintPair(); });
  $('cannot').addEventListener('click', () => give('cannot tell'));
  $('retake').addEventListener('click', () => give('retake'));
  // the second press of a double click would answer a photo that nobody has seen
  $('next').addEventListener('click', (event) => { if (event.detail < 2) give('counted'); });
  const zoom = (factor) => {
    stage.view.zoom(factor, stage.view.room[0] / 2, stage.view.room[1] / 2);
    stage.paint();
  };
  $('larger').addEventListener('click', () => zoom(1.5));
  $('smaller').addEventListener('click', () => zoom(1 / 1.5));
  // what is pressed on the slip of a fruit is work on its photo too
  for (const place of ['photo', 'card']) {
    $(place).addEventListener('pointerdown', () => { recordOf(desk.index).clicks += 1; }, true);
  }
  wireTogether();
  document.addEventListener('keydown', pressed);
  window.addEventListener('scroll', planRows, { passive: true });
  window.addEventListener('resize', () => { if (!$('contact').hidden) layout(); });
  window.addEventListener('beforeprint', fillPaper);
  window.addEventListener('afterprint', () => $('paper').replaceChildren());
  window.addEventListener('popstate', (event) => {
    const photo = event.state ? event.state.photo : undefined;
    if (pair.open) closePair({ history: false });
    else if (photo !== undefined && photo === desk.index) refresh();
    else if (photo !== undefined) openPhoto(photo, { history: false });
    else {
      closePhoto({ history: false });
      if (!event.state?.together) closeTogether({ history: false });
    }
  });
  window.addEventListener('beforeunload', (event) => {
    if (!keep.local && !keep.base && saving.unsaved.size) event.preventDefault();
  });
  document.addEventListener('visibilitychange', () => {
    if (document.hidden) tick();
    else desk.since = Date.now();
  });
  // the same sheet in a second tab: what is newer shows in both
  window.addEventListener('storage', (event) => {
    const begins = keyOf('');
    if (!event.key || !event.key.startsWith(begins) || !event.newValue) return;
    const index = placeOf.get(event.key.slice(begins.length));
    if (index === undefined) return;
    book[index] = JSON.parse(event.newValue);
    if (answered(index)) saving.unsaved.add(index);
    renew(index);
    drawHead();
    refresh();
  });
}

/** What counts, in one line, from the plan. */
function ruleWords() {
  const { rule } = data;
  if (!rule) return t('rule plant');
  return t('rule', {
    mm: rule.smallest_fruit_mm,
    damaged: t(rule.count_damaged ? 'damaged count' : 'damaged not'),
    fallen: t(rule.count_fallen ? 'fallen count' : 'fallen not'),
  });
}

async function start() {
  fillTexts();
  takeHand();
  keep.trouble = () => trouble(t('not kept'));
  listen('changed', noteChange);
  listen('head drawn', drawSave);
  listen('head drawn', drawWayIn);
  listen('name wanted', askName);
  listen('together wanted', openTogether);
  listen('photo wanted', openPhoto);
  listen('photo opened', offerSeveral);
  listen('card wanted', openCard);
  listen('pair wanted', openPair);
  listen('looped', (path) => (stage.tool === 'strike' ? caught(path) : looped(path)));
  listen('struck', struck);
  listen('refreshed', drawOffer);
  listen('all answered', openMenu);
  listen('help wanted', openHelp);
  const notes = shared.map((word) => t('quoted', { text: sentence(word) })).join(' ');
  $('shared').textContent = t('shared', { n: shared.length, notes });
  $('shared').hidden = !shared.length;
  $('hint').textContent = t(window.matchMedia('(pointer: coarse)').matches ? 'hint tap' : 'hint click');
  $('rule').textContent = ruleWords();
  wire();
  drawHead();
  layout();
  if (!await openKeep()) trouble(t('not kept'));
  if (outbox) await outbox.open();
  const name = data.reviewer || await keptName();
  const refusal = name ? await takeName(name) : '';
  if (refusal) trouble(refusal);
  document.documentElement.dataset.ready = 'yes';
}
start();
