// The list of findings and what narrows it.
const PAGE = matchMedia('(max-width: 40rem)').matches ? 20 : 80;
const list = { all: [], matching: [], shown: 0 };

function fillFilters() {
  const form = $('filters'), { findings, tiers } = state.data;
  const distinct = (of) => [...new Set(findings.flatMap(of))].filter(Boolean);
  const unique = (key) => distinct((f) => f[key]);
  const natural = (a, b) => a.localeCompare(b, 'en', { numeric: true });
  const options = {
    step: unique('step'), rule: unique('rule').sort(natural), layer: distinct((f) => [f.layer, ...f.alsoOn]).sort(natural),
    severity: unique('severity'), tier: tiers,
  };
  for (const [name, words] of Object.entries(options)) {
    form.elements[name].append(make('option', { value: '', textContent: 'all' }), ...words.map((w) => make('option', { value: w, textContent: w })));
  }
  form.onsubmit = (event) => event.preventDefault();
  form.oninput = narrow;
  form.onreset = () => setTimeout(narrow);
}

function narrow() {
  const { step, rule, layer, severity, tier, net } = $('filters').elements;
  const word = net.value.trim().toLowerCase(), { findings, tiers } = state.data;
  const from = tiers.indexOf(tier.value);
  list.matching = findings.filter((f) =>
    (!step.value || f.step === step.value) && (!rule.value || f.rule === rule.value) &&
    (!layer.value || [f.layer, ...f.alsoOn].includes(layer.value)) && (!severity.value || f.severity === severity.value) &&
    (from < 0 || tiers.indexOf(f.tier) >= from) && (!word || f.nets.some((n) => n.toLowerCase().includes(word))));
  const places = list.matching.reduce((sum, f) => sum + f.count, 0);
  const all = list.matching.length === findings.length;
  $('told').textContent = findings.length === 0 ? 'Nothing was found.'
    : `${all ? '' : `${list.matching.length} of `}${plural(findings.length, 'finding')}, ${plural(places, 'place')}; the gravest first.`;
  list.shown = 0;
  $('list').replaceChildren();
  showMore();
}

function showMore() {
  const part = list.matching.slice(list.shown, list.shown + PAGE);
  $('list').append(...part.map(rowOf));
  list.shown += part.length;
  const rest = list.matching.length - list.shown;
  $('more').hidden = rest <= 0;
  $('more').textContent = `Show more (${rest} left)`;
}

function brief(text) {
  return text.length <= 120 ? text : `${text.slice(0, 120).replace(/\s+\S*$/, '')} …`;
}

function againstText(f) {
  if (f.measured === null || f.limit === null) return f.value;
  return `${f.value}${f.kind ? ` (${f.kind})` : ''}, ${f.tier ? f.tier : 'limit'} ${f.atMost ? 'allows' : 'needs'} ${f.need}`;
}

function rowOf(f) {
  const words = make('span', {}, make('span', { className: 'rule', textContent: `${f.severity}: ${state.data.rules[f.rule]?.quantity || f.rule}` }));
  const against = againstText(f);
  words.append(make('span', { className: 'value', textContent: against || brief(f.message) }));
  const at = [[f.layer, ...f.alsoOn].join(', '), f.nets.join(' | '), f.count > 1 ? plural(f.count, 'place') : '', f.waived ? 'waived' : ''].filter(Boolean).join(' · ');
  if (at) words.append(make('span', { className: 'at', textContent: at }));
  const button = make('button', { type: 'button', className: f.waived ? 'waived' : '' }, markOf(f.severity), words);
  button.onclick = () => choose(f);
  f.button = button;
  if (f === state.chosen) button.setAttribute('aria-current', 'true');
  return make('li', {}, button);
}

function stepChoice(by) {
  const now = list.matching.indexOf(state.chosen);
  const next = Math.max(0, Math.min(list.matching.length - 1, now + by));
  if (!list.matching.length || next === now) return;
  while (list.shown <= next) showMore();
  choose(list.matching[next]);
}

function bindList() {
  $('more').onclick = showMore;
  for (const link of document.querySelectorAll('[data-severity]')) {
    link.addEventListener('click', () => { $('filters').elements.severity.value = link.dataset.severity; narrow(); });
  }
  $('bench').addEventListener('keydown', (event) => {
    if (/^(INPUT|SELECT)$/.test(event.target.tagName) || event.ctrlKey || event.metaKey || event.altKey) return;
    const act = { j: () => stepChoice(1), k: () => stepChoice(-1), n: () => stepPlace(1), p: () => stepPlace(-1) }[event.key];
    if (act) { event.preventDefault(); act(); }
  });
}
