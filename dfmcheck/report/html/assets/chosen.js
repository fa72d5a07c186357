// One finding chosen: flown to, drawn, told in full.
function goTo(finding) {
  const spot = spotOf(finding);
  if (!spot || !sheet.ctx) return;
  const line = lineOf(finding);
  const span = Math.max(line ? Math.hypot(line[2] - line[0], line[3] - line[1]) : 0, finding.unit === 'mm' ? finding.limit || 0 : 0, 0.05);
  // The measured line takes about a twelfth of the sheet, yet its surroundings stay in sight.
  const scale = Math.min(Math.min(sheet.width, sheet.height) / (span * 12), 3000);
  moveTo({ x: spot[0], y: spot[1], scale });
}

async function choose(finding) {
  if (state.chosen?.button) state.chosen.button.removeAttribute('aria-current');
  state.chosen = finding;
  state.place = 0;
  tell(finding);
  if (finding.button) {
    finding.button.setAttribute('aria-current', 'true');
    // Beside the drawing the text stays above the list; the row must not hide beneath it.
    document.querySelector('.side').style.scrollPaddingTop = `${$('chosen').offsetHeight}px`;
    finding.button.scrollIntoView({ block: 'nearest' });
    if ($('list').contains(document.activeElement)) finding.button.focus({ preventScroll: true });
  }
  if (state.data.drawing) {
    await showLayersOf(finding);
    if (state.chosen !== finding) return;
    redraw();
    goTo(finding);
    const frame = sheet.canvas.getBoundingClientRect();
    // Where drawing and list stand one below the other, show the drawing.
    if (frame.bottom < 120 || frame.top > innerHeight - 120) sheet.canvas.scrollIntoView({ block: 'center', behavior: still() ? 'auto' : 'smooth' });
  }
}

function stepPlace(by) {
  const f = state.chosen;
  if (!f?.places.length) return;
  state.place = (state.place + by + f.places.length) % f.places.length;
  tell(f);
  redraw();
  goTo(f);
}

function tell(f) {
  const rule = state.data.rules[f.rule] || {};
  const terms = make('dl'), rest = make('dl');
  const say = (list, name, ...texts) => {
    const full = texts.filter(Boolean);
    if (full.length) list.append(make('dt', { textContent: name }), make('dd', { textContent: full.join(' ') }));
  };
  say(terms, 'To change', f.remedy, f.who);
  say(terms, 'Drawn at', f.sources);
  say(terms, 'Waived', f.waived);
  say(terms, 'Mind', rule.caution);
  say(rest, 'If it is ignored', rule.floor);
  say(rest, 'Front end', rule.frontEnd);
  say(rest, 'Which tier takes it', f.tier ? (f.fits ? `${f.fits}.` : 'None of this shop.') : '');
  say(rest, 'Label', f.id);
  const spot = spotOf(f);
  const heading = make('h3', {}, markOf(f.severity), rule.quantity || f.rule);
  const where = make('p', { className: 'remark', textContent: [f.rule, [f.layer, ...f.alsoOn].join(', '), f.nets.join(' | '), spot && state.data.drawing ? placeText(...spot) : spot ? `x ${spot[0]}, y ${spot[1]} mm` : ''].filter(Boolean).join(' · ') });
  $('chosen').replaceChildren(heading, make('p', { className: 'numbers', textContent: f.message }), where);
  if (f.places.length) {
    const before = make('button', { type: 'button', textContent: 'Place before', onclick: () => stepPlace(-1) });
    const after = make('button', { type: 'button', textContent: 'Next place', onclick: () => stepPlace(1) });
    const of = f.places.length < f.count ? `${f.places.length} listed of ${f.count}` : `${f.places.length}`;
    $('chosen').append(make('div', { className: 'walk' }, before, after, make('span', { textContent: `place ${state.place + 1} of ${of}` })));
  }
  const more = make('details', { open: state.moreOpen ?? false }, make('summary', { textContent: 'On the floor, and who may change it' }), rest);
  more.ontoggle = () => { state.moreOpen = more.open; };
  $('chosen').append(terms, more);
  $('chosen').hidden = false;
  $('chosen').scrollTop = 0;
}
