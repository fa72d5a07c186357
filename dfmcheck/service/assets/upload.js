// Drag and drop, tiers that fit the shop, and the upload's progress. Without this script the form
// works as any form does.
'use strict';
(() => {
  const $ = (id) => document.getElementById(id);
  const form = $('form'), drop = $('drop'), input = $('package');
  const shop = form.elements.shop, tier = form.elements.tier;
  const groups = [...tier.querySelectorAll('optgroup')];
  let request = null;

  const remember = (name, value) => { try { localStorage.setItem(name, value); } catch { /* private window */ } };
  const recall = (name) => { try { return localStorage.getItem(name) || ''; } catch { return ''; } };
  const offers = (list, value) => [...list.options].some((option) => option.value === value);

  function fitTiers(wanted) {
    const chosen = shop.selectedOptions[0];
    for (const option of [...tier.children]) option.remove();
    const group = groups.find((one) => one.dataset.shop === chosen.value);
    for (const option of group.children) tier.append(option.cloneNode(true));
    tier.value = offers(tier, wanted) ? wanted : chosen.dataset.default;
  }
  if (offers(shop, recall('dfmcheck-shop'))) shop.value = recall('dfmcheck-shop');
  fitTiers(recall('dfmcheck-tier'));
  shop.addEventListener('change', () => fitTiers(tier.value));

  function problem(text) {
    $('problem').textContent = text;
    $('problem').hidden = !text;
    if (text) $('problem').scrollIntoView({ block: 'nearest' });
  }
  const megabytes = (bytes) => (bytes / 1e6).toFixed(bytes < 1e7 ? 1 : 0);

  function tooLarge() {
    const file = input.files[0], most = Number(form.dataset.most);
    if (!file || file.size <= most) return '';
    return `This file has ${megabytes(file.size)} MB, more than the ${most / 1e6} MB allowed. ` +
      'Send only the folder with the fabrication data, packed as zip.';
  }
  input.addEventListener('change', () => problem(tooLarge()));

  form.querySelector('.can-drop').hidden = false;
  let depth = 0;
  const withFiles = (event) => [...event.dataTransfer.types].includes('Files');
  // Anywhere on the page: a file dropped beside the field must not replace the page.
  addEventListener('dragenter', (event) => { if (withFiles(event)) { depth++; drop.classList.add('over'); } });
  addEventListener('dragleave', (event) => { if (withFiles(event) && --depth <= 0) { depth = 0; drop.classList.remove('over'); } });
  addEventListener('dragover', (event) => { if (withFiles(event)) event.preventDefault(); });
  addEventListener('drop', (event) => {
    if (!withFiles(event)) return;
    event.preventDefault();
    depth = 0;
    drop.classList.remove('over');
    if (request) return;
    const items = [...event.dataTransfer.items];
    if (items.length !== 1 || items[0].webkitGetAsEntry?.()?.isDirectory) {
      problem('Pack the files as one zip and drop that.');
      return;
    }
    input.files = event.dataTransfer.files;
    problem(tooLarge());
    $('send').focus();
  });

  function busy(on) {
    $('send').disabled = on;
    $('stop').hidden = !on;
    $('sending').hidden = !on;
    input.disabled = on;
  }

  // One key per attempt of a person: sent again after a lost answer, it stays one job.
  const fresh = () => Array.from(crypto.getRandomValues(new Uint8Array(16)), (n) => n.toString(16).padStart(2, '0')).join('');

  function send(data, key, tries) {
    request = new XMLHttpRequest();
    request.open('POST', form.dataset.api);
    request.setRequestHeader('Idempotency-Key', key);
    request.responseType = 'json';
    request.upload.addEventListener('progress', (event) => {
      if (!event.lengthComputable) return;
      $('sent').max = event.total;
      $('sent').value = event.loaded;
      $('told').textContent = event.loaded < event.total
        ? `${megabytes(event.loaded)} of ${megabytes(event.total)} MB sent` : 'Sent; storing it safely';
    });
    const over = (text) => { request = null; busy(false); problem(text); };
    request.addEventListener('load', () => {
      if (request.status === 202 && request.response) {
        location.assign(request.response.links.page);
        return;
      }
      if (request.status === 401) { location.assign('/sign-in'); return; }
      const text = request.response?.message || `the service answered ${request.status}`;
      over(`${text[0].toUpperCase()}${text.slice(1)}.`);
    });
    request.addEventListener('error', () => {
      if (tries > 0) {
        $('told').textContent = 'The connection broke; trying again';
        setTimeout(() => request && send(data, key, tries - 1), 2000);
      } else over('The service cannot be reached. Try again.');
    });
    request.addEventListener('abort', () => over(''));
    request.send(data);
  }

  form.addEventListener('submit', (event) => {
    event.preventDefault();
    const large = tooLarge();
    problem(large);
    if (large) return;
    remember('dfmcheck-shop', shop.value);
    remember('dfmcheck-tier', tier.value);
    const data = new FormData(form);
    for (const name of ['thickness', 'copper', 'board', 'role']) if (!String(data.get(name)).trim()) data.delete(name);
    busy(true);
    $('told').textContent = 'Sending';
    send(data, fresh(), 3);
  });
  $('stop').addEventListener('click', () => request?.abort());
  addEventListener('pageshow', (event) => { if (event.persisted) { request = null; busy(false); } });
})();
