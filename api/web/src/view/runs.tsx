// The runs that were kept: a list with their verdicts, and one run with its limits, its events and its download.

import { useEffect, useState } from 'preact/hooks';
import { get, Refused } from '../api.ts';
import { ESTIMATE } from '../logic/trace.ts';
import { inScale, roughly, temp, type Scale } from '../logic/units.ts';
import { capital, clock, dayAndTime, kindWords, plain } from '../logic/words.ts';
import { ranUnwatched } from '../logic/sight.ts';
import type { Model } from '../model.ts';
import type { Check, RunDetail, RunLine, StationEvent } from '../wire.ts';
import { Stamp } from './ended.tsx';

export function Runs({ m, id }: { m: Model; id: string }) {
  return id === '' ? <List m={m} /> : <One id={id} scale={m.settings.scale} key={id} />;
}

// Fetches once per path; the answer, or why there is none.
function useDocument<T>(path: string): { got: T | null; failed: string } {
  const [got, set] = useState<T | null>(null);
  const [failed, fail] = useState('');
  useEffect(() => {
    let gone = false;
    set(null);
    get<T>(path).then(
      (d) => { if (!gone) { set(d); fail(''); } },
      (e: unknown) => { if (!gone) fail(e instanceof Refused ? [e.problem.title, e.problem.detail, e.problem.do].filter(Boolean).join(' ') : 'It cannot be read.'); },
    );
    return () => { gone = true; };
  }, [path]);
  return { got, failed };
}

// Fifty runs are about two weeks of a busy bench; older ones are in the record and reached through the API.
function List({ m }: { m: Model }) {
  const { got, failed } = useDocument<{ runs: RunLine[] }>('/runs?limit=50');
  const scale = m.settings.scale;
  return (
    <div class="runs">
      <h1>Runs</h1>
      {failed && <p role="alert">{failed}</p>}
      {!got && !failed && <p>Reading the record …</p>}
      {got && got.runs.length === 0 && <p>Nothing has been run yet.</p>}
      <ol class="run-list">
        {got?.runs.map((r) => (
          <li key={r.id}>
            <a class="sheet" href={`#/runs/${r.id}`}>
              <Outcome state={r.state} verdict={r.verdict} />
              <span class="run-what"><strong>{kindWords(r.kind)}: {r.part || r.board || r.profile}</strong><small>{[r.board, r.profile, ranUnwatched(r) ? 'nothing at the joint' : ''].filter(Boolean).join(', ')}</small></span>
              <span class="run-when"><strong>no. {r.id}</strong><small>{dayAndTime(r.begun_utc)}{r.by ? `, ${r.by}` : ''}</small></span>
              {r.state !== 'complete' && r.reason && <span class="run-why">{inScale(r.reason, scale)}</span>}
            </a>
          </li>
        ))}
      </ol>
    </div>
  );
}

// A run that was stopped or cut off never reads as passed, whatever was judged up to there.
function Outcome({ state, verdict }: { state: string; verdict: string | null }) {
  const word = state === 'running' ? 'not ended' : state === 'complete' ? (verdict === 'pass' ? 'pass' : verdict === 'fail' ? 'limit missed' : 'complete') : plain(state);
  return (
    <span class="outcome">
      {verdict !== null && <Stamp pass={verdict === 'pass' && state === 'complete'} />}
      <span>{capital(word)}</span>
    </span>
  );
}

// The number comes from the address bar, so anything can be in it.
function One({ id, scale }: { id: string; scale: Scale }) {
  const number = /^\d{1,15}$/.test(id) ? id : '0';
  const { got, failed } = useDocument<RunDetail>(`/runs/${number}`);
  return (
    <div class="runs">
      <p class="back"><a href="#/runs">All runs</a></p>
      <h1>Run no. {number}</h1>
      {failed && <p role="alert">{failed}</p>}
      {!got && !failed && <p>Reading the record …</p>}
      {got && (
        <>
          <section class="sheet">
            <h2>{kindWords(got.kind)}{got.part ? ` of ${got.part}` : ''}</h2>
            <p>{[got.board, got.serial, got.profile, got.by].filter(Boolean).join(', ')}; begun {dayAndTime(got.begun_utc)}, took {clock(got.elapsed_s)}.</p>
            <p>{capital(plain(got.state))}{got.reason ? `: ${inScale(got.reason, scale)}` : '.'}</p>
            {ranUnwatched(got) && <p class="unwatched">No thermocouple was at the joint: its limits were judged by an estimate.</p>}
            {got.damaged_chunks > 0 && <p class="bad">Parts of the record were damaged and are left out: {got.damaged_chunks}.</p>}
            <p><a class="download" href={`/api/v1/runs/${number}/samples.csv`} download>Download the samples (CSV)</a></p>
          </section>
          <Checks judged={got.judgement} scale={scale} guess={ranUnwatched(got)} />
          <Events events={got.events} scale={scale} />
        </>
      )}
    </div>
  );
}

// Every limit with its source. Advice is marked as such and never coloured as a miss.
function Checks({ judged, scale, guess }: { judged: RunDetail['judgement']; scale: Scale; guess: boolean }) {
  if (!judged) return <section class="sheet"><h2>Limits</h2><p>Nothing was judged.</p></section>;
  return (
    <section class="sheet">
      <h2>{judged.verdict === 'pass' ? 'Inside every limit' : 'A limit was missed'}</h2>
      {judged.summary && <p>{inScale(judged.summary, scale)}</p>}
      <div class="table-box" tabIndex={0} role="region" aria-label="Limits">
        <table>
          <thead><tr><th scope="col">Limit</th><th scope="col">{guess ? 'Came to' : 'Measured'}</th><th scope="col">Allowed</th><th scope="col">Held</th><th scope="col">Source</th></tr></thead>
          <tbody>
            {judged.checks.map((c, i) => (
              <tr key={i} class={c.ok || c.advisory ? '' : 'missed'}>
                <th scope="row">{capital(c.name)}{c.advisory && <small> advice only</small>}</th>
                <td>{c.value === null ? (guess ? 'not known' : 'not measured') : isGuess(c) ? about(c.value, c.unit, scale) : amount(c.value, c.unit, scale)}</td>
                <td>{c.bound === 'min' ? 'at least' : 'at most'} {amount(c.limit, c.unit, scale)}</td>
                <td><Stamp pass={c.ok} /> {c.ok ? 'yes' : 'no'}</td><td class="source">{c.source}{c.note ? `; ${inScale(c.note, scale)}` : ''}</td>
              </tr>
            ))}
          </tbody>
        </table>
      </div>
      {judged.notes?.map((n, i) => <p key={i}>{inScale(n, scale)}</p>)}
    </section>
  );
}

// What was found on the estimate's column was never measured.
const isGuess = (c: Check) => c.column === ESTIMATE;

// A limit's number: temperatures and rates in the viewer's scale, everything else as the station wrote it.
function amount(v: number, unit: string, scale: Scale): string {
  if (unit === '°C') return temp(v, scale);
  return unit === 's' ? `${v.toFixed(0)} s` : inScale(`${v.toFixed(2)} ${unit}`, scale);
}

// The same for what rests on an estimate: a temperature loses its tenths.
function about(v: number, unit: string, scale: Scale): string {
  return unit === '°C' ? roughly(v, scale) : `≈\u00a0${amount(v, unit, scale)}`;
}

// Times are since the start of the run, as on the chart.
function Events({ events, scale }: { events: StationEvent[]; scale: Scale }) {
  if (events.length === 0) return null;
  return (
    <section class="sheet">
      <h2>What happened</h2>
      <ol class="events">
        {events.map((e, i) => <li key={i}><time>{clock(e.at_s)}</time> <span>{inScale(e.text, scale)}{e.by ? ` (${e.by})` : ''}</span></li>)}
      </ol>
    </section>
  );
}
