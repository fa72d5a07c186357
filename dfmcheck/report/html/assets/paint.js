// Painting outlines on a canvas. Reduced detail falls out of the scale: vertices nearer than
// half a pixel are passed over, specks become boxes, runs outside the view are cut short.
function inksOf() {
  const dark = isDark();
  const copper = dark
    ? ['#8fc3f2', '#7fd0c8', '#b5c98a', '#d9c07c', '#e6a882', '#d99ab0']
    : ['#2d5f93', '#2b7a78', '#647a2e', '#8d6a1d', '#9a5230', '#7f4763'];
  return { dark, copper, mask: dark ? '#c58fd0' : '#8c5a97', legend: dark ? '#d6dcd9' : '#4a5358', paste: dark ? '#9aa6dd' : '#5a66a8' };
}

function inkOf(name, inks) {
  if (name.startsWith('mask')) return inks.mask;
  if (name.startsWith('legend')) return inks.legend;
  if (name.startsWith('paste')) return inks.paste;
  const copper = state.layers.filter((l) => l.name.startsWith('conductor'));
  const n = copper.findIndex((l) => l.name === name);
  if (n === 0) return inks.copper[0];
  if (n === copper.length - 1) return inks.copper[4];
  return inks.copper[[1, 3, 2, 5][(n - 1) % 4]];
}

// Path of all rings of a layer (or of one polygon) that touch the view.
function trace(ctx, o, t, width, height, only = -1) {
  const step = state.data.drawing.step;
  const kx = t.kx * step, ky = t.ky * step;
  const first = only < 0 ? 0 : o.polygons[only], last = only < 0 ? o.ringCount : o.polygons[only + 1];
  const apart = 0.55;
  ctx.beginPath();
  for (let r = first; r < last; r++) {
    const b = 4 * r;
    let x0 = o.boxes[b] * kx + t.x, x1 = o.boxes[b + 2] * kx + t.x;
    let y0 = o.boxes[b + 1] * ky + t.y, y1 = o.boxes[b + 3] * ky + t.y;
    if (x0 > x1) [x0, x1] = [x1, x0];
    if (y0 > y1) [y0, y1] = [y1, y0];
    if (x1 < -2 || y1 < -2 || x0 > width + 2 || y0 > height + 2) continue;
    if (x1 - x0 < 1.4 && y1 - y0 < 1.4) {
      if (x1 - x0 > 0.3 || y1 - y0 > 0.3) ctx.rect(x0, y0, x1 - x0, y1 - y0);
      continue;
    }
    let px = NaN, py = NaN, out = 0, held = false, hx = 0, hy = 0;
    for (let i = o.starts[r]; i < o.starts[r + 1]; i++) {
      const x = o.xs[i] * kx + t.x, y = o.ys[i] * ky + t.y;
      if (Math.abs(x - px) < apart && Math.abs(y - py) < apart) continue;
      const code = (x < 0 ? 1 : x > width ? 2 : 0) | (y < 0 ? 4 : y > height ? 8 : 0);
      if (px !== px) ctx.moveTo(x, y);
      else if (code & out) { held = true; hx = x; hy = y; px = x; py = y; out &= code; continue; }
      else { if (held) ctx.lineTo(hx, hy); ctx.lineTo(x, y); }
      held = false; px = x; py = y; out = code;
    }
    if (held) ctx.lineTo(hx, hy);
    ctx.closePath();
  }
}

function paintHoles(ctx, t, width, height, dim) {
  const k = Math.abs(t.kx);
  ctx.save();
  ctx.fillStyle = colour('--hole');
  ctx.strokeStyle = colour('--edge');
  ctx.globalAlpha = dim;
  const paths = { '1': new Path2D(), '0': new Path2D(), '-1': new Path2D() };
  const fill = new Path2D();
  for (const [ax, ay, bx, by, r, plated] of state.holes) {
    const x = ax * t.kx + t.x, y = ay * t.ky + t.y, u = bx * t.kx + t.x, v = by * t.ky + t.y, p = r * k;
    if (p < 0.4 || Math.max(x, u) + p < 0 || Math.max(y, v) + p < 0 || Math.min(x, u) - p > width || Math.min(y, v) - p > height) continue;
    for (const path of p < 2 ? [fill] : [fill, paths[plated]]) {
      const turn = Math.atan2(v - y, u - x);
      path.moveTo(x + p * Math.cos(turn + Math.PI / 2), y + p * Math.sin(turn + Math.PI / 2));
      path.arc(x, y, p, turn + Math.PI / 2, turn + 1.5 * Math.PI);
      path.arc(u, v, p, turn - Math.PI / 2, turn + Math.PI / 2);
      path.closePath();
    }
  }
  ctx.fill(fill);
  ctx.lineWidth = 1.6;
  ctx.stroke(paths['1']);
  ctx.lineWidth = 1;
  ctx.setLineDash([4, 2]);
  ctx.stroke(paths['0']);
  ctx.setLineDash([1.5, 2.5]);
  ctx.stroke(paths['-1']);
  ctx.restore();
}

// Board, layers and holes. `pause` is awaited between layers and tells whether to give up.
async function paintBoard(ctx, t, width, height, shown, pause) {
  const inks = inksOf();
  ctx.globalCompositeOperation = 'source-over';
  ctx.globalAlpha = 1;
  ctx.fillStyle = colour('--leaf');
  ctx.fillRect(0, 0, width, height);
  const area = state.layers.find((l) => l.name === 'profile');
  if (area?.outlines) {
    trace(ctx, area.outlines, t, width, height);
    ctx.fillStyle = colour('--board');
    ctx.fill('evenodd');
  }
  // The more layers lie over each other, the fainter each but the focal one.
  const faint = Math.min(0.34, 0.9 / shown.size);
  for (const layer of stackOrder().filter((l) => shown.has(l.name) && l.outlines)) {
    if (await pause()) return false;
    const focal = layer.name === state.focal;
    trace(ctx, layer.outlines, t, width, height);
    ctx.globalCompositeOperation = inks.dark ? 'screen' : 'multiply';
    ctx.globalAlpha = focal ? 0.85 : layer.name.startsWith('conductor') ? faint : 0.38;
    ctx.fillStyle = inkOf(layer.name, inks);
    ctx.fill('evenodd');
  }
  ctx.globalCompositeOperation = 'source-over';
  ctx.globalAlpha = 1;
  if (await pause()) return false;
  paintHoles(ctx, t, width, height, 1);
  ctx.beginPath();
  for (const [ax, ay, bx, by] of state.data.drawing.profile) {
    ctx.moveTo(ax * t.kx + t.x, ay * t.ky + t.y);
    ctx.lineTo(bx * t.kx + t.x, by * t.ky + t.y);
  }
  ctx.strokeStyle = colour('--edge');
  ctx.lineWidth = 1.4;
  ctx.stroke();
  return true;
}

// Farthest layer first, as seen from the side looked at; the focal layer last.
function stackOrder() {
  const rank = (name) => {
    const outer = name.startsWith('legend') ? 3 : name.startsWith('paste') ? 2 : name.startsWith('mask') ? 1 : 0;
    if (outer) return name.endsWith('top') ? outer : -1000 - outer;
    return -Number(name.split('-')[1] || 0);
  };
  const sign = state.below ? -1 : 1;
  return state.layers
    .filter((l) => l.name !== 'profile')
    .sort((a, b) => (a.name === state.focal) - (b.name === state.focal) || sign * (rank(a.name) - rank(b.name)));
}

// The chosen finding: its two features, its places, the measured line and the limit beside it.
function paintFinding(ctx, t, width, height, finding) {
  const flag = colour('--flag'), k = Math.abs(t.kx);
  const at = (x, y) => [x * t.kx + t.x, y * t.ky + t.y];
  const { polygons, holes } = featuresOf(finding);
  ctx.save();
  ctx.lineJoin = 'round';
  for (const [layer, polygon] of polygons) {
    trace(ctx, layer.outlines, t, width, height, polygon);
    ctx.lineWidth = 2;
    ctx.strokeStyle = flag;
    ctx.stroke();
  }
  for (const [ax, ay, bx, by, r] of holes) {
    for (const [x, y] of [[ax, ay], [bx, by]]) {
      ctx.beginPath();
      ctx.arc(...at(x, y), r * k, 0, 7);
      ctx.lineWidth = 2;
      ctx.strokeStyle = flag;
      ctx.stroke();
    }
  }
  ctx.fillStyle = flag;
  for (const [x, y] of finding.places) {
    const [px, py] = at(x, y);
    ctx.beginPath();
    ctx.arc(px, py, 2.6, 0, 7);
    ctx.fill();
  }
  const line = lineOf(finding), spot = spotOf(finding);
  if (spot) {
    const [x, y] = at(...spot);
    ctx.strokeStyle = flag;
    ctx.lineWidth = 1.5;
    const ring = Math.max(26, line ? Math.hypot(line[2] - line[0], line[3] - line[1]) * k * 0.5 + 20 : 0);
    ctx.beginPath();
    ctx.arc(x, y, ring, 0, 7);
    ctx.stroke();
  }
  if (line) paintLine(ctx, at, k, line, finding, flag, width);
  ctx.restore();
}

function paintLine(ctx, at, k, line, finding, flag, width) {
  const [ax, ay] = at(line[0], line[1]), [bx, by] = at(line[2], line[3]);
  const length = Math.hypot(bx - ax, by - ay);
  const ux = length ? (bx - ax) / length : 1, uy = length ? (by - ay) / length : 0;
  const bar = (x0, y0, x1, y1, ink, weight) => {
    for (const [w, c] of [[weight + 3, colour('--leaf')], [weight, ink]]) {
      ctx.strokeStyle = c;
      ctx.lineWidth = w;
      ctx.beginPath();
      ctx.moveTo(x0, y0); ctx.lineTo(x1, y1);
      for (const [x, y] of [[x0, y0], [x1, y1]]) { ctx.moveTo(x - uy * 6, y + ux * 6); ctx.lineTo(x + uy * 6, y - ux * 6); }
      ctx.stroke();
    }
  };
  ctx.font = `600 13px ${getComputedStyle(document.body).fontFamily}`;
  const widthOf = (text) => ctx.measureText(text).width;
  const word = (text, x, y, ink) => {
    const w = widthOf(text);
    ctx.fillStyle = colour('--leaf');
    ctx.fillRect(x - 4, y - 13, w + 8, 18);
    ctx.fillStyle = ink;
    ctx.fillText(text, x, y);
  };
  bar(ax, ay, bx, by, flag, 3);
  const mx = (ax + bx) / 2, my = (ay + by) / 2;
  const low = Math.max(ay, by);
  if (finding.unit === 'mm' && finding.limit > 0) {
    // The limit to scale, beside the measured line.
    const half = (finding.limit * k) / 2, off = 20;
    const ox = mx - uy * off, oy = my + ux * off;
    bar(ox - ux * half, oy - uy * half, ox + ux * half, oy + uy * half, colour('--need'), 2);
    const x = Math.max(mx, ox, ox + Math.abs(ux) * half, Math.max(ax, bx)) + 14;
    const here = `${finding.inData || finding.value}${finding.inData ? ' drawn' : ''}`;
    const need = `${finding.tier || 'limit'} ${finding.atMost ? 'allows' : 'needs'} ${finding.need}`;
    // beside the line, or below it on a narrow sheet
    const wide = Math.max(widthOf(here), widthOf(need)), beside = x + wide + 6 <= width;
    const left = beside ? x : Math.max(6, Math.min(mx - wide / 2, width - wide - 6));
    const top = beside ? my - 6 : Math.max(low, oy) + 46;
    word(here, left, top, flag);
    word(need, left, top + 20, colour('--need'));
  } else if (finding.value) {
    word(finding.value, Math.min(mx + 14, width - widthOf(finding.value) - 6), low + 22, flag);
  }
}

function spotOf(finding) {
  if (state.place > 0 && finding.places.length) return finding.places[state.place % finding.places.length].slice(0, 2);
  const line = finding.line;
  if (line) return [(line[0] + line[2]) / 2, (line[1] + line[3]) / 2];
  return finding.at;
}
