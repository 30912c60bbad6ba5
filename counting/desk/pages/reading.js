// How a dropped spreadsheet is read: each column pointed at, dates asked about, doubts mended.
import { make } from './make.js';

const area = document.querySelector('#reading');

const spoken = (name) => name.replaceAll('_', ' ');

const columnsTable = (shown, chosen) =>
  make(
    'div',
    { class: 'wide' },
    make(
      'table',
      {},
      make(
        'thead',
        {},
        make(
          'tr',
          {},
          ...['column', 'is', 'first cells'].map((text) => make('th', { scope: 'col' }, text)),
        ),
      ),
      make(
        'tbody',
        {},
        ...shown.columns.map(({ heading, read_as: readAs, examples }) => {
          const choice = make(
            'select',
            {
              'aria-label': `What is ${heading}?`,
              class: readAs ? '' : 'open',
              onchange: (event) => chosen.set(heading, event.target.value),
            },
            make('option', { value: '' }, readAs ? '' : 'what is it?'),
            ...shown.choices.map((name) =>
              make('option', { value: name, selected: name === readAs ? '' : false }, spoken(name)),
            ),
          );
          return make(
            'tr',
            {},
            make('th', { scope: 'row' }, heading || '(no heading)'),
            make('td', {}, choice),
            make('td', { class: 'quiet' }, examples.join(', ')),
          );
        }),
      ),
    ),
  );

const datesChoice = (shown, dates) =>
  make(
    'fieldset',
    { class: 'missing' },
    make('legend', {}, 'Which way are the dates written?'),
    ...shown.ask_dates.map((text, place) =>
      make(
        'label',
        { class: 'tick' },
        make('input', {
          type: 'radio',
          name: 'dates',
          onchange: () => {
            dates.first = place === 0;
          },
        }),
        text,
      ),
    ),
  );

const doubtsTable = (shown, mends) =>
  make(
    'div',
    { class: 'wide' },
    make('h3', {}, `${shown.doubts.length} cells to look at`),
    make(
      'table',
      { class: 'grid' },
      make(
        'thead',
        {},
        make(
          'tr',
          {},
          ...['line', 'plant', 'column', 'cell', 'what is wrong'].map((text) =>
            make('th', { scope: 'col' }, text),
          ),
        ),
      ),
      make(
        'tbody',
        {},
        ...shown.doubts.map((doubt) => {
          const field = make('input', {
            type: 'text',
            value: doubt.cell,
            'aria-label': `${doubt.column} of ${doubt.plant || `line ${doubt.line}`}`,
            onchange: (event) =>
              mends.set(`${doubt.line}|${doubt.place}`, {
                line: doubt.line,
                place: doubt.place,
                text: event.target.value,
              }),
          });
          return make(
            'tr',
            {},
            make('td', {}, String(doubt.line)),
            make('td', {}, doubt.plant),
            make('td', {}, spoken(doubt.column)),
            make('td', { class: 'doubtful' }, ...(doubt.place === null ? [] : [field])),
            make('td', {}, doubt.what),
          );
        }),
      ),
    ),
  );

/**
 * Show how a file is read; `read` sends what the person says of it and returns the reply.
 * `chosen` and `dates` hold what was said of it before: it is said again with each step.
 */
export function showReading(
  shown,
  { read, survey, by, chosen = new Map(), dates = { first: null } },
) {
  const mends = new Map();
  const dated = shown.columns.some(
    ({ heading, read_as: readAs }) => (chosen.get(heading) ?? readAs) === 'survey',
  );
  // a table that names no day gets it here, where it is seen before anything is taken in
  const day = make('input', { type: 'date', value: survey() });
  const dayMeant = dated ? survey : () => day.value;
  let sent = false;
  const close = () => {
    area.hidden = true;
    area.replaceChildren();
  };
  const take = async (more = {}) => {
    if (sent) return;
    sent = true;
    const reply = await read({
      file: shown.file,
      columns: Object.fromEntries(chosen),
      day_first: dates.first,
      mends: [...mends.values()],
      survey: dayMeant(),
      by: by(),
      ...more,
    });
    sent = false;
    if (!reply) return;
    if (reply.columns) showReading(reply, { read, survey: dayMeant, by, chosen, dates });
    else close();
  };
  area.replaceChildren(
    make('h2', { tabindex: '-1' }, `How ${shown.file} is read`),
    ...shown.notes.map((line) => make('p', { class: 'quiet' }, line)),
    columnsTable(shown, chosen),
    ...(shown.ask_dates.length ? [datesChoice(shown, dates)] : []),
    ...(shown.unclear ? [make('p', { class: 'fault' }, shown.unclear)] : []),
    ...(shown.doubts.length ? [doubtsTable(shown, mends)] : []),
    ...(dated
      ? []
      : [make('label', { class: 'field' }, make('span', {}, 'It is of the survey of'), day)]),
    make(
      'p',
      { class: 'row' },
      make(
        'button',
        { type: 'button', class: 'press strong', onclick: () => take() },
        shown.clear ? 'Take it in' : 'Read it so',
      ),
      ...(shown.doubts.length
        ? [
            make(
              'button',
              { type: 'button', class: 'press', onclick: () => take({ as_written: true }) },
              'Take them as written',
            ),
          ]
        : []),
      make(
        'button',
        { type: 'button', class: 'press plain', onclick: () => take({ drop: true }) },
        'Leave it',
      ),
    ),
  );
  area.hidden = false;
  area.querySelector('h2').focus();
}
