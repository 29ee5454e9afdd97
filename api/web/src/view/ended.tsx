// How the last run ended: never "complete" for anything that was not, and always with the reason.

import { inScale, type Scale } from '../logic/units.ts';
import type { State } from '../wire.ts';

const words: Record<string, string> = { complete: 'Run complete', stopped: 'Run stopped', aborted: 'Run cut off' };

export function Ended({ s, scale }: { s: State; scale: Scale }) {
  const e = s.ended;
  if (!e || s.state === 'running' || s.state === 'restarting' || s.state === 'held' || s.state === 'holding') return null;
  const verdict = s.run?.verdict ?? null;
  return (
    <section class={`sheet ended${verdict ? ` ${verdict}` : ''}`} aria-labelledby="ended-title">
      <h2 id="ended-title">{words[e.state] ?? 'Last run'}{s.run ? ` – no. ${s.run.id}` : ''}</h2>
      {verdict === 'pass' && <p class="verdict"><Stamp pass /> Inside every limit</p>}
      {verdict === 'fail' && <p class="verdict"><Stamp pass={false} /> A limit was missed</p>}
      <p>{inScale(e.reason, scale)}{e.by ? ` By ${e.by}.` : ''}</p>
      {s.run && <p><a href={`#/runs/${s.run.id}`}>See its limits and download it</a></p>}
    </section>
  );
}

export function Stamp({ pass }: { pass: boolean }) {
  return (
    <svg class={`stamp ${pass ? 'pass' : 'fail'}`} viewBox="0 0 24 24" aria-hidden="true">
      {pass ? <path d="M4 13l5 5L20 6" /> : <path d="M5 5l14 14M19 5L5 19" />}
    </svg>
  );
}
