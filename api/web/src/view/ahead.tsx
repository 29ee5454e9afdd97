// What the rest of the run will come to, in three numbers with their bands, and what speaks against going on.

import { digits, temp, type Scale } from '../logic/units.ts';
import type { Forecast, Span } from '../wire.ts';

export function AheadPanel({ f, scale }: { f: Forecast; scale: Scale }) {
  return (
    <section class={`sheet ahead-sheet${f.go ? '' : ' against-it'}`} aria-labelledby="ahead-title">
      <h2 id="ahead-title">What is to come</h2>
      <dl class="against">
        <div><dt>Peak of the joint</dt><dd>{band(f.peak_c, scale)}</dd></div>
        <div><dt>Above liquidus</dt><dd>{Math.round(f.time_above_liquidus_s.low)} to {Math.round(f.time_above_liquidus_s.high)} s</dd></div>
        <div><dt>Package top</dt><dd>{band(f.package_top_c, scale)}</dd></div>
      </dl>
      {f.text !== '' && <p class="ahead-text"><strong>{f.go ? 'Worth knowing:' : 'Against it:'}</strong> {f.text} {f.remedy}</p>}
    </section>
  );
}

// Low to high: the middle would be read as a promise.
const band = (s: Span, scale: Scale) => `${digits(s.low, scale, 0)} to ${temp(s.high, scale, 0)}`;
