// A place on the page where files can be dropped.

/** Let `zone` take what is dropped on it; `take` gets the browser's own record of the drop. */
export function takesDrops(zone, take) {
  for (const kind of ['dragover', 'dragenter']) {
    zone.addEventListener(kind, (event) => {
      event.preventDefault();
      zone.classList.add('over');
    });
  }
  zone.addEventListener('dragleave', () => zone.classList.remove('over'));
  zone.addEventListener('drop', (event) => {
    event.preventDefault();
    zone.classList.remove('over');
    take(event.dataTransfer);
  });
}
