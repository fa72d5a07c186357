// Helpers and the data the page carries. Text from the customer only ever goes through
// textContent, never through markup.
const $ = (id) => document.getElementById(id);

function make(tag, props = {}, ...children) {
  const node = document.createElement(tag);
  for (const [key, value] of Object.entries(props)) {
    if (key.startsWith('aria-') || key === 'role') node.setAttribute(key, value);
    else node[key] = value;
  }
  node.append(...children);
  return node;
}

async function unpack(id) {
  const text = atob($(id).textContent.trim());
  const bytes = new Uint8Array(text.length);
  for (let i = 0; i < text.length; i++) bytes[i] = text.charCodeAt(i);
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream('deflate'));
  return new Response(stream).arrayBuffer();
}

const MARKS = {
  hold: 'M2 2h12v12H2Z',
  query: 'M8 1.5 15 14H1Z',
  note: 'M8 1.3a6.7 6.7 0 1 0 .01 0ZM8 4a4 4 0 1 1-.01 0Z',
};

function markOf(kind) {
  const ns = 'http://www.w3.org/2000/svg';
  const svg = document.createElementNS(ns, 'svg');
  svg.setAttribute('viewBox', '0 0 16 16');
  svg.setAttribute('class', `mark ${kind}`);
  svg.setAttribute('aria-hidden', 'true');
  const path = document.createElementNS(ns, 'path');
  path.setAttribute('d', MARKS[kind] || MARKS.note);
  path.setAttribute('fill-rule', 'evenodd');
  svg.append(path);
  return svg;
}

const plural = (n, one, many = one + 's') => `${n} ${n === 1 ? one : many}`;
const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
const isDark = () => {
  const set = document.documentElement.dataset.theme;
  return set ? set === 'dark' : matchMedia('(prefers-color-scheme: dark)').matches;
};
const still = () => matchMedia('(prefers-reduced-motion: reduce)').matches;

// What the parts of the page share.
const state = {
  data: null, layers: [], holes: [], shown: new Set(), focal: '', below: false,
  view: { x: 0, y: 0, scale: 10 }, chosen: null, place: 0, measure: null, measuring: false,
};
