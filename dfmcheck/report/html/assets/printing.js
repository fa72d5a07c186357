// Pictures for paper: each printed finding with its place, cut from the same drawing.
const PICTURES = 40;

function pictureOf(finding) {
  const width = 440, height = 320, kept = { chosen: state.chosen, place: state.place, focal: state.focal, below: state.below };
  const canvas = make('canvas', { width, height }), ctx = canvas.getContext('2d');
  Object.assign(state, { place: 0, focal: finding.drawOn, below: false });
  const spot = spotOf(finding), line = finding.line;
  const span = Math.max(line ? Math.hypot(line[2] - line[0], line[3] - line[1]) : 0, finding.unit === 'mm' ? finding.limit || 0 : 0, 0.05);
  const scale = Math.min(height / (span * 6), 2000);
  const t = { kx: scale, ky: -scale, x: width / 2 - spot[0] * scale, y: height / 2 + spot[1] * scale };
  const names = new Set([finding.drawOn]);
  if (!state.layers.some((l) => names.has(l.name))) names.add(state.layers[0]?.name);
  const inks = inksOf();
  ctx.fillStyle = '#ffffff';
  ctx.fillRect(0, 0, width, height);
  for (const layer of state.layers.filter((l) => names.has(l.name) && l.outlines)) {
    trace(ctx, layer.outlines, t, width, height);
    ctx.fillStyle = inkOf(layer.name, inks);
    ctx.globalAlpha = 0.6;
    ctx.fill('evenodd');
    ctx.globalAlpha = 1;
  }
  paintHoles(ctx, t, width, height, 1);
  paintFinding(ctx, t, width, height, finding);
  Object.assign(state, kept);
  return canvas.toDataURL('image/png');
}

function addPictures() {
  for (const folded of document.querySelectorAll('#verdict details')) folded.open = true;
  let left = PICTURES;
  const theme = document.documentElement.dataset.theme;
  document.documentElement.dataset.theme = 'light';
  for (const item of document.querySelectorAll('#printed li')) {
    const finding = state.data.findings[Number(item.dataset.n)];
    if (left <= 0) break;
    if (!finding || !(finding.line || finding.at) || item.querySelector('img')) continue;
    item.prepend(make('img', { src: pictureOf(finding), alt: `Place of ${finding.rule} on ${finding.layer}` }));
    left--;
  }
  if (theme) document.documentElement.dataset.theme = theme;
  else delete document.documentElement.dataset.theme;
}
