// Outlines: unpacking, boxes of rings, what lies near a point. Coordinates are whole steps
// (micrometres) as in the file; everything outside this file speaks millimetres.
function decodeOutlines(buffer) {
  const words = new Int32Array(buffer);
  const ringCount = words[0], polygonCount = words[1];
  const starts = new Int32Array(ringCount + 1);
  for (let i = 0; i < ringCount; i++) starts[i + 1] = starts[i] + words[2 + i];
  const owner = new Int32Array(ringCount);
  const polygons = new Int32Array(polygonCount + 1);
  for (let j = 0; j < polygonCount; j++) {
    polygons[j + 1] = polygons[j] + words[2 + ringCount + j];
    owner.fill(j, polygons[j], polygons[j + 1]);
  }
  const n = starts[ringCount];
  const xs = words.subarray(2 + ringCount + polygonCount, 2 + ringCount + polygonCount + n);
  const ys = words.subarray(2 + ringCount + polygonCount + n);
  for (let i = 1; i < n; i++) { xs[i] += xs[i - 1]; ys[i] += ys[i - 1]; }
  const boxes = new Int32Array(4 * ringCount);
  for (let r = 0; r < ringCount; r++) {
    let x0 = Infinity, y0 = Infinity, x1 = -Infinity, y1 = -Infinity;
    for (let i = starts[r]; i < starts[r + 1]; i++) {
      if (xs[i] < x0) x0 = xs[i];
      if (xs[i] > x1) x1 = xs[i];
      if (ys[i] < y0) y0 = ys[i];
      if (ys[i] > y1) y1 = ys[i];
    }
    boxes.set([x0, y0, x1, y1], 4 * r);
  }
  return { starts, polygons, owner, xs, ys, boxes, ringCount };
}

function loadLayer(layer) {
  if (!layer.block) return Promise.resolve(null);
  layer.loading ||= unpack(layer.block).then((buffer) => (layer.outlines = decodeOutlines(buffer)));
  return layer.loading;
}

// Nearest point of a layer's outlines to (x, y), mm, within `reach`; corners win over edges.
function nearestOnLayer(layer, x, y, reach) {
  const o = layer.outlines;
  if (!o) return null;
  const step = state.data.drawing.step, px = x / step, py = y / step, far = reach / step;
  let best = far, bestCorner = far * 0.7, edge = null, corner = null;
  for (let r = 0; r < o.ringCount; r++) {
    const b = 4 * r;
    if (px < o.boxes[b] - far || py < o.boxes[b + 1] - far || px > o.boxes[b + 2] + far || py > o.boxes[b + 3] + far) continue;
    let j = o.starts[r + 1] - 1;
    for (let i = o.starts[r]; i < o.starts[r + 1]; j = i++) {
      const ax = o.xs[j], ay = o.ys[j], dx = o.xs[i] - ax, dy = o.ys[i] - ay;
      const t = Math.max(0, Math.min(1, ((px - ax) * dx + (py - ay) * dy) / (dx * dx + dy * dy || 1)));
      const ex = ax + t * dx, ey = ay + t * dy, d = Math.hypot(px - ex, py - ey);
      if (d < best) { best = d; edge = { x: ex * step, y: ey * step, polygon: o.owner[r], d: d * step }; }
      const c = Math.hypot(px - o.xs[i], py - o.ys[i]);
      if (c < bestCorner) { bestCorner = c; corner = { x: o.xs[i] * step, y: o.ys[i] * step, polygon: o.owner[r], d: c * step }; }
    }
  }
  return { edge, corner };
}

function holeNear(x, y, reach) {
  let best = reach, found = null;
  for (const h of state.holes) {
    const dx = h[2] - h[0], dy = h[3] - h[1];
    const t = Math.max(0, Math.min(1, ((x - h[0]) * dx + (y - h[1]) * dy) / (dx * dx + dy * dy || 1)));
    const d = Math.abs(Math.hypot(x - h[0] - t * dx, y - h[1] - t * dy) - h[4]);
    if (d < best) { best = d; found = h; }
  }
  return found;
}

// Where the measure catches: hole centres first, then corners, then edges of what is shown.
function snap(x, y, reach) {
  let centre = null, near = reach;
  for (const h of state.holes) {
    for (const [cx, cy] of [[h[0], h[1]], [h[2], h[3]]]) {
      const d = Math.hypot(x - cx, y - cy);
      if (d < near) { near = d; centre = { x: cx, y: cy, on: 'hole centre' }; }
    }
  }
  if (centre) return centre;
  let corner = null, edge = null;
  for (const layer of state.layers) {
    if (!state.shown.has(layer.name) && layer.name !== 'profile') continue;
    const hit = nearestOnLayer(layer, x, y, reach);
    if (hit?.corner && (!corner || hit.corner.d < corner.d)) corner = { ...hit.corner, on: layer.name };
    if (hit?.edge && (!edge || hit.edge.d < edge.d)) edge = { ...hit.edge, on: layer.name };
  }
  return corner || edge || { x, y, on: '' };
}

// The drawn shapes a measured line ends on: polygons by layer, and holes.
function featuresOf(finding) {
  const line = lineOf(finding);
  const out = { polygons: [], holes: [] };
  if (!line) return out;
  const side = finding.layer.endsWith('bottom') ? -1 : 0;
  const copper = state.layers.filter((l) => l.name.startsWith('conductor'));
  const names = new Set([finding.layer]);
  if (/^(mask|paste|legend)/.test(finding.layer) && copper.length) names.add(copper.at(side).name);
  for (const [x, y] of [[line[0], line[1]], [line[2], line[3]]]) {
    for (const layer of state.layers) {
      if (!names.has(layer.name)) continue;
      const hit = nearestOnLayer(layer, x, y, 0.012)?.edge;
      if (hit && !out.polygons.some(([l, p]) => l === layer && p === hit.polygon)) out.polygons.push([layer, hit.polygon]);
    }
    const hole = /^(drill|plate|mask)/.test(finding.step) ? holeNear(x, y, 0.02) : null;
    if (hole && !out.holes.includes(hole)) out.holes.push(hole);
  }
  return out;
}

// The measured line of the finding, or of the place of it that is being looked at.
function lineOf(finding) {
  return state.place === 0 ? finding.line : null;
}
