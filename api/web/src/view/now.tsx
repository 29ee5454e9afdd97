// The Now page. What matters while hands are busy comes first and fits on a seven-inch panel; what explains it comes below.

import type { Model } from '../model.ts';
import { AheadPanel } from './ahead.tsx';
import { Alarms } from './alarms.tsx';
import { ChartPanel } from './chart.tsx';
import { Ended } from './ended.tsx';
import { Heaters } from './heaters.tsx';
import { JointPanel } from './joint.tsx';
import { Lately } from './lately.tsx';
import { Mains, Needs } from './needs.tsx';
import { Prepare } from './prepare.tsx';
import { Sensors } from './sensors.tsx';

export function Now({ m }: { m: Model }) {
  const s = m.state;
  if (!s) {
    return (
      <div class="now">
        <p class="waiting-for">Nothing is known yet. If this stays, the station may be off or its program may not run. Stop is sent all the same.</p>
      </div>
    );
  }
  const { scale } = m.settings;
  const side = (
    <div class="side" key="side">
      <Ended s={s} scale={scale} />
      <Alarms m={m} s={s} />
      {s.forecast && <AheadPanel f={s.forecast} scale={scale} />}
      <Needs s={s} scale={scale} />
      <Mains s={s} />
      <Lately m={m} />
    </div>
  );
  // Where there is one column, alarms come before the sensors and everything else that explains. Moved in the document
  // and not by style, so that the keyboard and a screen reader meet them in the same order as the eye.
  const alarming = s.alarms.length > 0;
  // While a run is being prepared, nothing is hot yet and the room belongs to the choice.
  return (
    <div class={`now${m.preparing ? ' preparing' : ''}`}>
      {m.preparing ? <Prepare m={m} /> : <JointPanel s={s} plan={m.showsRun() ? m.plan : null} melt={m.plan} scale={scale} />}
      <ChartPanel m={m} s={s} />
      {alarming && side}
      {!m.preparing && <Sensors key="sensors" m={m} s={s} />}
      {!alarming && side}
      {!m.preparing && <Heaters s={s} scale={scale} />}
    </div>
  );
}
