// The frame that every page shares: where we are, the sentence, the page itself, and the rail of deeds at the bottom.
// Eyes at the top, hands at the bottom: nothing that can be pressed by mistake lies between the two.

import type { Model } from '../model.ts';
import { holderSentence, holderWord } from '../logic/people.ts';
import { Now } from './now.tsx';
import { People } from './people.tsx';
import { Rail } from './rail.tsx';
import { Runs } from './runs.tsx';
import { Sentence } from './sentence.tsx';
import { View } from './settings.tsx';

export function App({ m }: { m: Model }) {
  // The station also serves the page at /runs, for those who type it.
  const path = (location.hash || location.pathname).replace(/^#?\/?/, '');
  const runs = path.startsWith('runs');
  // Whoever may not look has nothing else to see here than how to be let in.
  const people = path.startsWith('people') || (m.state === null && m.me !== null && !m.me.may_look);
  document.title = m.state ? `${m.state.sentence} – Trivet` : 'Trivet';
  const stale = m.state !== null && m.stale();
  return (
    <div class={`frame${stale ? ' stale' : ''}${m.state?.simulated ? ' simulated' : ''}`}>
      <header class="strip">
        <nav aria-label="Pages">
          <a href="#/" aria-current={runs || people ? undefined : 'page'}>Now</a>
          <a href="#/runs" aria-current={runs && !people ? 'page' : undefined}>Runs</a>
          <Holder m={m} here={people} />
        </nav>
        <p class="where">
          <span class="machine">{m.state?.machine ?? ''}</span>
          {m.state?.simulated && <strong class="demo">Simulated<span class="long"> machine,</span> {times(m.state.speed)}<span class="long"> real time</span></strong>}
        </p>
        <View m={m} />
      </header>
      <main>
        <Sentence m={m} heading={!runs && !people} />
        {people ? <People m={m} /> : runs ? <Runs m={m} id={path.slice(5)} /> : <Now m={m} />}
      </main>
      <Rail m={m} />
    </div>
  );
}

// The third page is named for what everybody wants to know of it: who holds the controls. The mark is a lever.
function Holder({ m, here }: { m: Model; here: boolean }) {
  const c = m.state?.controls ?? { holder: null, asking: null };
  const known = m.state !== null;
  return (
    <a href="#/people" class="holder" aria-current={here ? 'page' : undefined}>
      <svg viewBox="0 0 20 20" aria-hidden="true"><circle cx="14" cy="4.5" r="3.5" /><path d="M12.4 7.6 8 16M2 17.5h16" /></svg>
      <span class={known ? 'holder-what' : ''}>{known ? 'Controls: ' : 'People'}</span>{known && <span class="holder-name">{holderWord(m.me, c)}</span>}
      <span class="heard-only">{known ? `, people. ${holderSentence(m.me, c)}` : ' and controls'}</span>
    </a>
  );
}

function times(speed: number): string {
  return `${Number.isInteger(speed) ? speed : speed.toFixed(1)}×`;
}
