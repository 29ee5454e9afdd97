// What happened lately, newest first, as the station told it on the stream.

import type { Model } from '../model.ts';
import { inScale } from '../logic/units.ts';
import { timeOfDay } from '../logic/words.ts';

export function Lately({ m }: { m: Model }) {
  if (m.lately.length === 0) return null;
  return (
    <section class="sheet lately" aria-labelledby="lately-title">
      <h2 id="lately-title">Lately</h2>
      <ol>
        {m.lately.map((e) => (
          <li key={e.seq}><time>{timeOfDay(e.wall)}</time> <span>{inScale(e.text, m.settings.scale)}{e.by ? ` (${e.by})` : ''}</span></li>
        ))}
      </ol>
    </section>
  );
}
