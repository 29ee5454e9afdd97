// Starts the page: Stop first, then everything else.

import 'uplot/dist/uPlot.min.css';
import './style/tokens.css';
import './style/frame.css';
import './style/parts.css';
import './style/pages.css';
import { render } from 'preact';
import { Pacer } from './logic/pace.ts';
import { Model } from './model.ts';
import { wireStop } from './stop.ts';
import { App } from './view/app.tsx';

wireStop(
  document.querySelector<HTMLFormElement>('#stop')!,
  document.querySelector<HTMLButtonElement>('#stop-button')!,
  document.querySelector<HTMLElement>('#stop-answer')!,
);

const root = document.querySelector<HTMLElement>('#page')!;
root.textContent = '';
const broken = document.createElement('p');
broken.id = 'broken';
broken.setAttribute('role', 'alert');
broken.textContent = 'This page failed to draw what the station says: what it shows may be old. Stop still works. Reload the page.';
broken.hidden = true;
root.before(broken);
const model = new Model();
const pacer = new Pacer();
let waiting = false; // a drawing is on its way
let again = false; // something changed meanwhile

// Draws at the pace the machine can bear; everything that came in between is drawn at once.
function paint(): void {
  const t = performance.now();
  if (!pacer.due(t)) {
    setTimeout(() => requestAnimationFrame(paint), Math.max(4, pacer.interval() / 4));
    return;
  }
  try {
    render(<App m={model} />, root);
    broken.hidden = true;
  } catch (e) {
    // A page that stands still must not look like a machine at rest.
    console.error(e);
    broken.hidden = false;
  }
  // A timer set in a frame fires after the browser has laid out and painted it, so the whole price is counted: on a panel
  // computer without a graphics driver, painting costs three times what the script does.
  setTimeout(() => {
    pacer.drew(t, performance.now() - t);
    waiting = false;
    if (again) schedule();
  });
}

function schedule(): void {
  if (waiting) {
    again = true;
    return;
  }
  waiting = true;
  again = false;
  requestAnimationFrame(paint);
}

model.start(schedule);
window.addEventListener('hashchange', schedule);
setInterval(schedule, 500); // nothing arrives when the stream is dead, and the page has to say so
schedule();
