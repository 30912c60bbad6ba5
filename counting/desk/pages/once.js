// A form that is sent twice by a double click is sent once: else one plan would make two trials.
const PAUSE = 3000; // ms; the answer to a form is a new page, unless it is a file to keep

document.addEventListener('submit', (event) => {
  const form = event.target;
  if (event.defaultPrevented) return; // a script of the page's own sends it
  if (form.dataset.sent) {
    event.preventDefault();
    return;
  }
  form.dataset.sent = 'yes';
  setTimeout(() => delete form.dataset.sent, PAUSE);
});

// a page come back to by the browser's own button can be sent again
window.addEventListener('pageshow', () => {
  for (const form of document.forms) delete form.dataset.sent;
});
