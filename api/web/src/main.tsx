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
const model = new Model();
const pacer = new Pacer();
let waiting = false;

// Draws at the pace the machine can bear; everything that came in between is drawn at once.
function paint(): void {
  const t = performance.now();
  if (!pacer.due(t)) {
    setTimeout(() => requestAnimationFrame(paint), Math.max(4, pacer.interval() / 4));
    return;
  }
  waiting = false;
  render(<App m={model} />, root);
  // The chart draws itself in a microtask queued by the rendering above, so this one comes after it and counts it in.
  queueMicrotask(() => pacer.drew(t, performance.now() - t));
}

function schedule(): void {
  if (waiting) return;
  waiting = true;
  requestAnimationFrame(paint);
}

model.start(schedule);
window.addEventListener('hashchange', schedule);
setInterval(schedule, 500); // nothing arrives when the stream is dead, and the page has to say so
schedule();
