// The sheet: view, still picture kept behind the moving one, ruled margin, measure.
const sheet = { canvas: null, ctx: null, back: null, backView: null, turn: 0, width: 0, height: 0, dpr: 1, busy: false };
const MARGIN = 96; // px drawn round the view, so that a short move shows no blank

function transform(view, width, height, margin = 0) {
  const kx = state.below ? -view.scale : view.scale;
  return { kx, ky: -view.scale, x: width / 2 + margin - view.x * kx, y: height / 2 + margin + view.y * view.scale };
}

function toBoard(px, py) {
  const t = transform(state.view, sheet.width, sheet.height);
  return [(px - t.x) / t.kx, (py - t.y) / t.ky];
}

function bounds() {
  const box = [Infinity, Infinity, -Infinity, -Infinity];
  const own = state.layers.filter((l) => l.box && l.name === 'profile');
  for (const { box: b } of own.length ? own : state.layers.filter((l) => l.box)) {
    box[0] = Math.min(box[0], b[0]); box[1] = Math.min(box[1], b[1]);
    box[2] = Math.max(box[2], b[2]); box[3] = Math.max(box[3], b[3]);
  }
  return Number.isFinite(box[0]) ? box : [0, 0, 100, 100];
}

function wholeBoard() {
  const [x0, y0, x1, y1] = bounds();
  const scale = Math.min((sheet.width - 70) / (x1 - x0 || 1), (sheet.height - 70) / (y1 - y0 || 1));
  return { x: (x0 + x1) / 2, y: (y0 + y1) / 2, scale: Math.max(scale, 0.01) };
}

function resize() {
  const rect = sheet.canvas.parentElement.getBoundingClientRect();
  const first = !sheet.width;
  sheet.dpr = Math.min(devicePixelRatio || 1, 2);
  sheet.width = rect.width - 2;
  sheet.height = rect.height - 2;
  sheet.canvas.width = Math.round(sheet.width * sheet.dpr);
  sheet.canvas.height = Math.round(sheet.height * sheet.dpr);
  if (first) state.view = wholeBoard();
  redraw();
}

// Show at once what the last full picture gives; paint a full one when things are quiet.
function redraw(full = true) {
  if (!sheet.ctx) return;
  if (full) { sheet.stale = true; sheet.turn++; } // a picture begun for an older view is given up
  if (sheet.asked) return;
  sheet.asked = requestAnimationFrame(() => { sheet.asked = 0; present(); if (sheet.stale) later(); });
}

function later() {
  clearTimeout(sheet.timer);
  // A quick board is painted anew on every frame; a slow one when the hand rests.
  const cost = sheet.cost ?? 0;
  sheet.timer = setTimeout(paintFull, cost < 14 ? 0 : Math.min(500, Math.max(110, cost / 2)));
}

async function paintFull() {
  const mine = ++sheet.turn;
  sheet.stale = false;
  const width = Math.round((sheet.width + 2 * MARGIN) * sheet.dpr), height = Math.round((sheet.height + 2 * MARGIN) * sheet.dpr);
  const canvas = document.createElement('canvas');
  canvas.width = width; canvas.height = height;
  const view = { ...state.view }, below = state.below;
  const t = transform(view, sheet.width, sheet.height, MARGIN);
  const scaled = { kx: t.kx * sheet.dpr, ky: t.ky * sheet.dpr, x: t.x * sheet.dpr, y: t.y * sheet.dpr };
  let last = performance.now();
  let spent = 0;
  const done = await paintBoard(canvas.getContext('2d'), scaled, width, height, state.shown, async () => {
    const now = performance.now();
    spent += now - last;
    if (now - last > 12) { await new Promise((go) => setTimeout(go)); }
    last = performance.now();
    return mine !== sheet.turn;
  });
  if (!done) return;
  sheet.cost = spent + performance.now() - last;
  sheet.back = canvas;
  sheet.backView = { ...view, below };
  present();
  document.documentElement.dataset.drawn = String(mine);
}

function present() {
  const { ctx, width, height, dpr, back, backView } = sheet;
  ctx.setTransform(1, 0, 0, 1, 0, 0);
  ctx.fillStyle = colour('--leaf');
  ctx.fillRect(0, 0, sheet.canvas.width, sheet.canvas.height);
  const t = transform(state.view, width, height);
  if (back && backView.below === state.below) {
    const zoom = state.view.scale / backView.scale;
    const b = transform(backView, width, height, MARGIN);
    // Board origin in the old picture moves to the board origin of the view.
    ctx.setTransform(zoom, 0, 0, zoom, (t.x - b.x * zoom) * dpr, (t.y - b.y * zoom) * dpr);
    ctx.drawImage(back, 0, 0);
  }
  ctx.setTransform(dpr, 0, 0, dpr, 0, 0);
  if (state.chosen) paintFinding(ctx, t, width, height, state.chosen);
  if (state.measure) paintMeasure(ctx, t);
  if (state.measuring && document.activeElement === sheet.canvas && sheet.byKeys) paintCross(ctx, width, height);
  paintMargin(ctx, t, width, height);
}

function paintCross(ctx, width, height) {
  ctx.strokeStyle = colour('--ink');
  ctx.lineWidth = 1;
  ctx.beginPath();
  ctx.moveTo(width / 2 - 12, height / 2); ctx.lineTo(width / 2 + 12, height / 2);
  ctx.moveTo(width / 2, height / 2 - 12); ctx.lineTo(width / 2, height / 2 + 12);
  ctx.stroke();
}

// A ruled margin: millimetres along the foot and the left edge.
function paintMargin(ctx, t, width, height) {
  const steps = [0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500];
  const step = steps.find((s) => s * state.view.scale > 64) || 1000;
  const digits = step < 0.1 ? 2 : step < 1 ? 1 : 0;
  ctx.font = `11px ${getComputedStyle(document.body).fontFamily}`;
  ctx.fillStyle = colour('--leaf');
  ctx.globalAlpha = 0.86;
  ctx.fillRect(0, height - 19, width, 19);
  ctx.fillRect(0, 0, 34, height);
  ctx.globalAlpha = 1;
  ctx.fillStyle = ctx.strokeStyle = colour('--soft');
  ctx.lineWidth = 1;
  ctx.beginPath();
  const [xa, yb] = toBoard(0, height), [xb, ya] = toBoard(width, 0);
  ctx.textAlign = 'center';
  for (let n = Math.ceil(Math.min(xa, xb) / step); n <= Math.max(xa, xb) / step; n++) {
    const px = n * step * t.kx + t.x;
    if (px < 44 || px > width - 14) continue;
    ctx.moveTo(px, height - 19); ctx.lineTo(px, height - 15);
    ctx.fillText((n * step).toFixed(digits), px, height - 4);
  }
  ctx.textAlign = 'right';
  for (let n = Math.ceil(yb / step); n <= ya / step; n++) {
    const py = n * step * t.ky + t.y;
    if (py < 8 || py > height - 26) continue;
    ctx.moveTo(30, py); ctx.lineTo(34, py);
    ctx.fillText((n * step).toFixed(digits), 28, py + 4);
  }
  ctx.textAlign = 'left';
  ctx.fillText('mm', 6, height - 4);
  ctx.stroke();
}

function paintMeasure(ctx, t) {
  const { a, b } = state.measure;
  const at = (p) => [p.x * t.kx + t.x, p.y * t.ky + t.y];
  ctx.strokeStyle = ctx.fillStyle = colour('--focus');
  ctx.lineWidth = 2;
  for (const p of b ? [a, b] : [a]) { ctx.beginPath(); ctx.arc(...at(p), 4, 0, 7); ctx.stroke(); }
  if (b) { ctx.beginPath(); ctx.moveTo(...at(a)); ctx.lineTo(...at(b)); ctx.stroke(); }
}

function moveTo(view, calmly = true) {
  const from = { ...state.view }, start = performance.now();
  cancelAnimationFrame(sheet.flight);
  if (!calmly || still()) { state.view = view; redraw(); return; }
  const frame = (now) => {
    const u = Math.min(1, (now - start) / 450), e = u * u * (3 - 2 * u);
    const scale = from.scale * (view.scale / from.scale) ** e;
    // The point moves as the scale does, so that the goal stays in sight on the way in.
    const w = view.scale === from.scale ? e : (1 / from.scale - 1 / scale) / (1 / from.scale - 1 / view.scale);
    state.view = { x: from.x + (view.x - from.x) * w, y: from.y + (view.y - from.y) * w, scale };
    if (u < 1) { redraw(false); sheet.flight = requestAnimationFrame(frame); } else { state.view = view; redraw(); }
  };
  sheet.flight = requestAnimationFrame(frame);
}

function zoomAt(px, py, factor) {
  const [x, y] = toBoard(px, py), whole = wholeBoard().scale;
  const scale = Math.max(whole / 4, Math.min(20000, state.view.scale * factor)), f = state.view.scale / scale;
  state.view = { x: x + (state.view.x - x) * f, y: y + (state.view.y - y) * f, scale };
  redraw();
}

function flip(below) {
  state.below = below;
  $('flip').setAttribute('aria-pressed', String(below));

  redraw();
}
