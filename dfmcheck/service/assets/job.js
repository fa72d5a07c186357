// Follows a job until it ends, then shows how it ended.
'use strict';
(() => {
  const $ = (id) => document.getElementById(id);
  const live = $('live'), bar = $('bar'), told = $('told'), heard = $('heard'), state = $('state');
  let said = '';

  function say(text) {  // to a screen reader once per stage, not once per step
    if (text !== said) { said = text; heard.textContent = text; }
  }
  function show(job) {
    if (job.state === 'queued') {
      state.textContent = 'Waiting';
      told.textContent = job.position ? `Place ${job.position} in the queue.` : 'In the queue.';
      bar.removeAttribute('value');
      say(told.textContent);
    } else if (job.state === 'running') {
      state.textContent = 'Being screened';
      const { stage, done, total } = job.progress;
      const word = stage[0].toUpperCase() + stage.slice(1);
      told.textContent = total ? `${word}, ${done} of ${total}` : word;
      if (total) { bar.max = total; bar.value = done; } else bar.removeAttribute('value');
      say(word);
    }
  }
  let misses = 0;
  async function look() {
    let wait = 1000;
    try {
      const answer = await fetch(live.dataset.job, { headers: { Accept: 'application/json' } });
      if (answer.status === 401 || answer.status === 404) { location.reload(); return; }
      if (!answer.ok) throw new Error(String(answer.status));
      misses = 0;
      const job = await answer.json();
      if (!['queued', 'running'].includes(job.state)) {
        say('Done');
        location.reload();
        return;
      }
      show(job);
      if (job.state === 'queued' && job.position > 3) wait = 3000;
    } catch {
      misses++;
      wait = Math.min(1000 * 2 ** misses, 15000);
      if (misses > 1) told.textContent = 'The service does not answer; still trying.';
    }
    setTimeout(look, wait);
  }
  look();
})();
