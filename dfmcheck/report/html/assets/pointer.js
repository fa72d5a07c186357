// Hand and keys on the drawing: move, zoom, coordinates, measure.
function lengthText(mm) {
  return `${mm.toFixed(3)} mm (${(mm / 0.0254).toFixed(2)} mil)`;
}

// On the board's datum in mm, then as the customer's files count it, in their unit.
function placeText(x, y) {
  const { origin, unit } = state.data.drawing;
  const fx = x + origin[0], fy = y + origin[1];
  const own = unit === 'inch' ? `${(fx / 25.4).toFixed(5)}, ${(fy / 25.4).toFixed(5)} in` : `${fx.toFixed(3)}, ${fy.toFixed(3)} mm`;
  return `x ${x.toFixed(3)}, y ${y.toFixed(3)} mm · in the files ${own}`;
}

function setMeasuring(on) {
  state.measuring = on;
  if (!on) state.measure = null;
  $('measure').setAttribute('aria-pressed', String(on));
  sheet.canvas.classList.toggle('measuring', on);
  $('measured').textContent = on ? 'Set the first point.' : '';
  redraw(false);
}

function setPoint(px, py, free) {
  const [x, y] = toBoard(px, py);
  const point = free ? { x, y, on: '' } : snap(x, y, 10 / state.view.scale);
  if (!state.measure || state.measure.b) {
    state.measure = { a: point };
    $('measured').textContent = `From ${point.on || 'a free point'}. Set the second point.`;
  } else {
    const { a } = state.measure;
    state.measure.b = point;
    const dx = Math.abs(point.x - a.x), dy = Math.abs(point.y - a.y);
    $('measured').textContent = `Distance ${lengthText(Math.hypot(dx, dy))}, across ${dx.toFixed(3)}, up ${dy.toFixed(3)}`;
  }
  redraw(false);
}

function bindPointer() {
  const { canvas } = sheet;
  const hands = new Map();
  let moved = 0, pinch = 0;
  const local = (event) => {
    const r = canvas.getBoundingClientRect();
    return [event.clientX - r.left, event.clientY - r.top];
  };
  const spread = () => {
    const [a, b] = [...hands.values()];
    return Math.hypot(a[0] - b[0], a[1] - b[1]);
  };
  canvas.addEventListener('pointerdown', (event) => {
    canvas.setPointerCapture(event.pointerId);
    hands.set(event.pointerId, local(event));
    sheet.byKeys = false;
    moved = 0;
    if (hands.size === 2) pinch = spread();
    cancelAnimationFrame(sheet.flight);
    canvas.classList.add('dragging');
  });
  canvas.addEventListener('pointermove', (event) => {
    const [px, py] = local(event);
    $('where').textContent = placeText(...toBoard(px, py));
    if (!hands.has(event.pointerId)) return;
    const [lx, ly] = hands.get(event.pointerId);
    hands.set(event.pointerId, [px, py]);
    moved += Math.hypot(px - lx, py - ly);
    const t = transform(state.view, sheet.width, sheet.height), part = hands.size;
    state.view = { ...state.view, x: state.view.x - (px - lx) / t.kx / part, y: state.view.y - (py - ly) / t.ky / part };
    if (part === 2) {
      const [a, b] = [...hands.values()], now = spread();
      zoomAt((a[0] + b[0]) / 2, (a[1] + b[1]) / 2, now / (pinch || now));
      pinch = now;
    }
    redraw();
  });
  const lift = (event) => {
    if (!hands.delete(event.pointerId)) return;
    canvas.classList.toggle('dragging', hands.size > 0);
    if (event.type === 'pointerup' && moved < 4 && state.measuring) setPoint(...local(event), event.altKey);
  };
  canvas.addEventListener('pointerup', lift);
  canvas.addEventListener('pointercancel', lift);
  canvas.addEventListener('wheel', (event) => {
    // The page scrolls on over a drawing that is not in use.
    if (document.activeElement !== canvas && !event.ctrlKey) return;
    event.preventDefault();
    zoomAt(...local(event), Math.exp(-event.deltaY * (event.deltaMode ? 0.05 : 0.0016)));
  }, { passive: false });
  canvas.addEventListener('keydown', (event) => {
    if (event.ctrlKey || event.metaKey) return;
    const far = 60 / state.view.scale, t = transform(state.view, 1, 1);
    const middle = [sheet.width / 2, sheet.height / 2];
    const shift = (dx, dy) => { state.view = { ...state.view, x: state.view.x + dx * far * Math.sign(t.kx), y: state.view.y + dy * far }; redraw(); };
    const acts = {
      ArrowLeft: () => shift(-1, 0), ArrowRight: () => shift(1, 0), ArrowUp: () => shift(0, 1), ArrowDown: () => shift(0, -1),
      '+': () => zoomAt(...middle, 1.4), '=': () => zoomAt(...middle, 1.4), '-': () => zoomAt(...middle, 1 / 1.4),
      0: () => moveTo(wholeBoard()), f: () => flip(!state.below), m: () => setMeasuring(!state.measuring),
      Enter: () => state.measuring && setPoint(...middle, event.altKey), Escape: () => setMeasuring(false),
    };
    const act = acts[event.key];
    if (!act) return;
    event.preventDefault();
    sheet.byKeys = true;
    act();
    $('where').textContent = placeText(...toBoard(...middle));
  });
  $('fit').onclick = () => moveTo(wholeBoard());
  $('closer').onclick = () => zoomAt(sheet.width / 2, sheet.height / 2, 1.6);
  $('farther').onclick = () => zoomAt(sheet.width / 2, sheet.height / 2, 1 / 1.6);
  $('flip').onclick = () => flip(!state.below);
  $('measure').onclick = () => setMeasuring(!state.measuring);
  $('keys').onclick = () => {
    const open = $('keys-text').hidden;
    $('keys-text').hidden = !open;
    $('keys').setAttribute('aria-expanded', String(open));
  };
}
