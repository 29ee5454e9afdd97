// Alarms, the first cause first. Acknowledging says "seen"; it never makes anything hot.

import type { Model } from '../model.ts';
import { inScale, temp, type Scale } from '../logic/units.ts';
import { alarmWords, wantsAcknowledge } from '../logic/words.ts';
import type { Alarm, State } from '../wire.ts';

export function Alarms({ m, s }: { m: Model; s: State }) {
  if (s.alarms.length === 0) return null;
  // First-out order comes from the station; this only lifts the first one up in case a list is cut.
  // What merely follows from another alarm comes behind the causes.
  const rank = (a: Alarm) => (a.first_out ? 0 : a.because === '' ? 1 : 2);
  const list = [...s.alarms].sort((a, b) => rank(a) - rank(b));
  return (
    <section class="sheet alarms" aria-labelledby="alarms-title">
      <h2 id="alarms-title">{list.length === 1 ? 'Alarm' : `${list.length} alarms`}</h2>
      <ul>
        {list.map((a) => <Row key={`${a.code} ${a.subject}`} a={a} m={m} scale={m.settings.scale} />)}
      </ul>
    </section>
  );
}

// The value is the one at the moment the alarm was raised, beside the limit it broke; both may be missing.
function Row({ a, m, scale }: { a: Alarm; m: Model; scale: Scale }) {
  const open = wantsAcknowledge(a.state);
  return (
    <li class={`alarm${open ? ' open' : ''}`}>
      <div>
        <p class="alarm-title">
          {a.first_out && <span class="first">First</span>}
          <strong>{inScale(a.title, scale)}</strong>
        </p>
        {a.value_c !== null && a.limit_c !== null && <p class="alarm-value">{temp(a.value_c, scale)}, limit {temp(a.limit_c, scale)}</p>}
        <p>{inScale(a.do, scale)}</p>
        {a.because !== '' && <p class="alarm-because">It follows from: {inScale(a.because, scale)}</p>}
        <p class="alarm-state">{alarmWords(a.state)}; {a.flutters ? 'the cause comes and goes' : a.cause_present ? 'the cause is still there' : 'the cause is gone'}</p>
      </div>
      {open && m.may('acknowledge') && (
        <button type="button" disabled={m.busy !== null} aria-label={`Seen: ${a.title}`}
          onClick={() => void m.tell('acknowledge', '/acknowledge', { code: a.code, subject: a.subject })}>
          Seen
        </button>
      )}
    </li>
  );
}
