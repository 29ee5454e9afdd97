// Stop. The button is in index.html and posts its form by itself; this only sends the same request without leaving the
// page, at the first touch instead of at its end, and repeats it until the station has answered.
// It depends on nothing else in the page: no state, no stream, no view.

import { timeOfDay } from './logic/words.ts';

const TRIES = 12; // over about ten seconds; then a person has to use the hard-wired stop
const PAUSE_MS = 600;
const PATIENCE_MS = 1500;

export function wireStop(form: HTMLFormElement, button: HTMLButtonElement, answer: HTMLElement): void {
  let round = 0; // a second press starts over
  const stop = async () => {
    const mine = ++round;
    form.dataset.sent = 'yes';
    for (let i = 0; i < TRIES && mine === round; i++) {
      answer.textContent = i === 0 ? 'Stop sent …' : 'Stop sent again … If it matters, press the machine’s emergency stop.';
      if (await send(form.action)) {
        if (mine === round) tell(answer, form, `Stop accepted at ${timeOfDay(Date.now())}.`);
        return;
      }
      await new Promise((done) => setTimeout(done, PAUSE_MS));
    }
    if (mine === round) answer.textContent = 'Stop did not reach the station. Press the machine’s emergency stop.';
  };
  // The press counts, not the release: a glove that slides off the glass has still stopped the machine.
  button.addEventListener('pointerdown', (e) => { if (e.button === 0) void stop(); });
  form.addEventListener('submit', (e) => {
    e.preventDefault();
    // Enter, Space and assistive technology arrive here only; a touch has been sent already.
    if (!pressedJustNow()) void stop();
  });
  let pressedAt = Number.NEGATIVE_INFINITY;
  button.addEventListener('pointerdown', (e) => { pressedAt = e.timeStamp; });
  const pressedJustNow = () => performance.now() - pressedAt < 3000 && form.dataset.sent === 'yes';
}

async function send(url: string): Promise<boolean> {
  try {
    const answer = await fetch(url, { method: 'POST', keepalive: true, cache: 'no-store', signal: AbortSignal.timeout(PATIENCE_MS) });
    return answer.ok;
  } catch {
    return false;
  }
}

function tell(answer: HTMLElement, form: HTMLFormElement, text: string): void {
  answer.textContent = text;
  setTimeout(() => {
    if (answer.textContent !== text) return;
    answer.textContent = '';
    delete form.dataset.sent;
  }, 5000);
}
