// The frame that every page shares: where we are, the sentence, the page itself, and the rail of deeds at the bottom.
// Eyes at the top, hands at the bottom: nothing that can be pressed by mistake lies between the two.

import type { Model } from '../model.ts';
import { Now } from './now.tsx';
import { Rail } from './rail.tsx';
import { Runs } from './runs.tsx';
import { Sentence } from './sentence.tsx';
import { View } from './settings.tsx';

export function App({ m }: { m: Model }) {
  // The station also serves the page at /runs, for those who type it.
  const path = (location.hash || location.pathname).replace(/^#?\/?/, '');
  const runs = path.startsWith('runs');
  document.title = m.state ? `${m.state.sentence} – Trivet` : 'Trivet';
  const stale = m.state !== null && m.stale();
  return (
    <div class={`frame${stale ? ' stale' : ''}${m.state?.simulated ? ' simulated' : ''}`}>
      <header class="strip">
        <nav aria-label="Pages">
          <a href="#/" aria-current={runs ? undefined : 'page'}>Now</a>
          <a href="#/runs" aria-current={runs ? 'page' : undefined}>Runs</a>
        </nav>
        <p class="where">
          <span class="machine">{m.state?.machine ?? ''}</span>
          {m.state?.simulated && <strong class="demo">Simulated machine, {times(m.state.speed)} real time</strong>}
        </p>
        <View m={m} />
      </header>
      <main>
        <Sentence m={m} heading={!runs} />
        {runs ? <Runs m={m} id={path.slice(5)} /> : <Now m={m} />}
      </main>
      <Rail m={m} />
    </div>
  );
}

function times(speed: number): string {
  return `${Number.isInteger(speed) ? speed : speed.toFixed(1)}×`;
}
