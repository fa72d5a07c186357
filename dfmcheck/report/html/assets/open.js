// Opening the page: theme, data, drawing, list.
function bindTheme() {
  const root = document.documentElement, button = $('theme');
  const read = () => { try { return localStorage.getItem('dfmcheck-theme'); } catch { return null; } };
  const keep = (name) => { try { localStorage.setItem('dfmcheck-theme', name); } catch { /* a file may have none */ } };
  const told = () => { button.textContent = isDark() ? 'Light' : 'Dark'; button.setAttribute('aria-label', `Show in ${isDark() ? 'light' : 'dark'}`); };
  const kept = read();
  if (kept === 'light' || kept === 'dark') root.dataset.theme = kept;
  button.hidden = false;
  const changed = () => { told(); if (state.data?.drawing) { syncStack(); redraw(); } };
  button.onclick = () => { root.dataset.theme = isDark() ? 'light' : 'dark'; keep(root.dataset.theme); changed(); };
  matchMedia('(prefers-color-scheme: dark)').addEventListener('change', changed);
  told();
}

async function open() {
  bindTheme();
  document.documentElement.classList.remove('plain');
  document.documentElement.classList.add('live');
  // Let the words be painted before the data is unpacked.
  await new Promise((go) => requestAnimationFrame(() => setTimeout(go)));
  state.data = JSON.parse(new TextDecoder().decode(await unpack('page-data')));
  $('bench').hidden = false;
  fillFilters();
  bindList();
  narrow();
  const { drawing } = state.data;
  if (!drawing) return;
  state.layers = drawing.layers;
  state.holes = drawing.holes;
  sheet.canvas = $('sheet');
  sheet.ctx = sheet.canvas.getContext('2d');
  const copper = state.layers.filter((l) => l.name.startsWith('conductor'));
  const start = copper[0]?.name || state.layers[0]?.name;
  if (start) state.shown.add(start);
  if (state.layers.some((l) => l.name === 'mask-top')) state.shown.add('mask-top');
  state.focal = start || '';
  buildStack();
  bindPointer();
  await Promise.all(state.layers.filter((l) => state.shown.has(l.name) || l.name === 'profile').map(loadLayer));
  new ResizeObserver(resize).observe(sheet.canvas.parentElement);
  resize();
  addEventListener('beforeprint', addPictures);
  // The rest of the layers while nobody waits, so that they show at once and can be printed.
  for (const layer of state.layers) {
    await new Promise((go) => setTimeout(go, 30));
    await loadLayer(layer);
  }
  document.documentElement.dataset.ready = 'yes';
}

open().catch((error) => {
  $('bench').before(make('p', { className: 'absent', role: 'alert', textContent: `The drawing and the list could not be opened here (${error.message}). A browser of 2023 or later is needed; the findings are listed at the end of the page.` }));
  document.documentElement.classList.remove('live');
  throw error;
});
