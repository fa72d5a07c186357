// The layers in the order they lie in the board, each with its ink and its findings.
function drawSwatch(canvas, name) {
  const ctx = canvas.getContext('2d');
  canvas.width = 48; canvas.height = 24;
  ctx.fillStyle = inkOf(name, inksOf());
  ctx.fillRect(0, 0, 48, 24);
}

function buildStack() {
  const counts = {};
  for (const f of state.data.findings) for (const on of [f.layer, ...f.alsoOn]) counts[on] = (counts[on] || 0) + 1;
  const order = [...state.layers].filter((l) => l.name !== 'profile').sort((a, b) => depth(a.name) - depth(b.name));
  $('stack').replaceChildren(...order.map((layer) => {
    const box = make('input', { type: 'checkbox', checked: state.shown.has(layer.name), name: layer.name });
    box.onchange = async () => {
      if (box.checked) { state.shown.add(layer.name); state.focal = layer.name; await loadLayer(layer); } else state.shown.delete(layer.name);
      syncStack();
      redraw();
    };
    const swatch = make('canvas', { 'aria-hidden': 'true' });
    const row = make('label', {}, box, swatch, make('span', { textContent: layer.name }));
    row.dataset.layer = layer.name;
    if (counts[layer.name]) row.append(make('small', { textContent: counts[layer.name], title: plural(counts[layer.name], 'finding') }));
    if (!layer.block) row.append(make('small', { textContent: 'empty' }));
    return row;
  }));
  syncStack();
}

function depth(name) {
  const outer = ['conductor', 'mask', 'paste', 'legend'].findIndex((word) => name.startsWith(word));
  if (outer <= 0) return Number(name.split('-')[1] || 0);
  return name.endsWith('top') ? -outer : 1000 + outer;
}

function syncStack() {
  for (const row of $('stack').children) {
    const name = row.dataset.layer;
    row.querySelector('input').checked = state.shown.has(name);
    row.classList.toggle('focal', state.focal === name && state.shown.has(name));
    drawSwatch(row.querySelector('canvas'), name);
  }
}

// Bring up the layers a finding is about, and only those.
async function showLayersOf(finding) {
  const copper = state.layers.filter((l) => l.name.startsWith('conductor'));
  const on = finding.drawOn;
  const names = new Set(state.layers.some((l) => l.name === on) ? [on] : []);
  if (/^(mask|paste|legend)/.test(on) && copper.length) names.add(copper.at(on.endsWith('bottom') ? -1 : 0).name);
  if (!names.size && copper.length) names.add(copper[0].name);
  state.shown = names;
  state.focal = names.has(on) ? on : [...names][0] || '';
  const below = on.endsWith('bottom') || (copper.length > 1 && on === copper.at(-1).name);
  if (below !== state.below) flip(below);
  await Promise.all(state.layers.filter((l) => names.has(l.name)).map(loadLayer));
  syncStack();
}
