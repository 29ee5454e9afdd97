// The sentence: what the machine is doing, in the station's own words. Drawn at every state, spoken only when its
// meaning changes. While a part is to be lifted or set, the band also carries the lift window: a bar and a large clock,
// because then nothing else on the page is worth a look.

import { useRef } from 'preact/hooks';
import { liftBar, OPENS_AT, type LiftBar } from '../logic/liftbar.ts';
import type { Model } from '../model.ts';
import { inScale } from '../logic/units.ts';
import { noNews } from '../logic/words.ts';
import type { State } from '../wire.ts';

const LONG = 130; // characters; more than two lines of a seven-inch panel would push out what is below

/** What the sentence is about, for the mark beside it: each has a shape of its own, colour only repeats it. */
export type Mood = 'rest' | 'heat' | 'pause' | 'act' | 'cool' | 'done' | 'wrong' | 'lost';

/** The mood of a state. What is wrong outranks everything; what waits for a hand outranks what only goes on. */
export function moodOf(s: State): Mood {
  if (s.trip_id !== 0 || s.state === 'aborting' || s.state === 'aborted') return 'wrong';
  if (s.lift.open && !s.lift.confirmed) return 'act';
  switch (s.state) {
    case 'running': case 'restarting':
      return s.phase === 'cooling' || s.phase === 'run_on' || s.phase === 'safe_to_touch' ? 'cool' : 'heat';
    case 'holding': case 'held':
      return 'pause';
    case 'stopping': case 'stopped':
      return 'cool';
    case 'complete':
      if (s.run?.verdict === 'fail') return 'wrong';
      return s.phase === 'safe_to_touch' ? 'done' : 'cool'; // no tick while it can burn
    default:
      return s.permissives.some((p) => !p.holds) ? 'wrong' : 'rest';
  }
}

export function Sentence({ m, heading }: { m: Model; heading: boolean }) {
  const s = m.state;
  const stale = s !== null && m.stale();
  const mood: Mood = s === null || stale ? 'lost' : moodOf(s);
  const shut = m.me !== null && !m.me.may_look;
  const text = s ? inScale(s.sentence, m.settings.scale) : shut ? 'Pair this browser to see the machine.' : 'Looking for the station …';
  const Tag = heading ? 'h1' : 'p'; // on the other pages the page's own title is the heading
  const lift = s === null || stale ? null : liftOf(s, m.longestLift);
  return (
    <div class={`sentence ${mood}${lift ? ' with-lift' : ''}`}>
      <Mark mood={mood} />
      <div class="words">
        {stale && (
          <p class="no-news">
            <strong>{noNews(m.news.since(), m.news.age(performance.now()))}.</strong>{' '}
            {m.connected ? 'The station’s loop stands still.' : 'Trying to reach the station.'} Stop still works.
          </p>
        )}
        <Tag class={`said${text.length > LONG ? ' long' : ''}`}>{text}</Tag>
        {lift?.stage === 'missed' && <p class="lift-missed">{lift.text}</p>}
      </div>
      {lift && lift.stage !== 'missed' && <Lift bar={lift} />}
      <Spoken text={stale ? 'No news from the station. What the page shows is old. Stop still works.' : text}
        meaning={stale ? 'stale' : (s?.sentence_meaning ?? 'none')} />
    </div>
  );
}

// The lift window while it matters: from the wait for the melt until somebody has confirmed or the run has moved on.
function liftOf(s: State, longest: number): LiftBar | null {
  if (!s.run || (s.state !== 'running' && s.state !== 'restarting')) return null;
  const bar = liftBar(s.lift, longest, s.run.kind === 'removal');
  return bar.stage === 'none' || bar.stage === 'confirmed' ? null : bar;
}

function Lift({ bar }: { bar: LiftBar }) {
  return (
    <>
      <p class="lift-clock"><strong>{bar.large}</strong> <span>{bar.small}</span></p>
      <div class="lift-bar" role="progressbar" aria-label="Lift window" aria-valuemin={0} aria-valuemax={100}
        aria-valuenow={Math.round(bar.fill * 100)} aria-valuetext={bar.text}>
        <div class="lift-fill" style={{ transform: `scaleX(${bar.fill})` }} />
        <div class="lift-mark" style={{ left: `${OPENS_AT * 100}%` }} />
      </div>
    </>
  );
}

// Keeps the words it said until the meaning is another one, so that a screen reader does not speak at each tick.
function Spoken({ text, meaning }: { text: string; meaning: string }) {
  const said = useRef({ meaning: '', text: '' });
  if (said.current.meaning !== meaning) said.current = { meaning, text };
  return <p class="heard-only" aria-live="polite" aria-atomic="true">{said.current.text}</p>;
}

// One shape per mood, told apart without colour and from across a room.
function Mark({ mood }: { mood: Mood }) {
  return (
    <svg class="mark" viewBox="0 0 40 40" aria-hidden="true">
      {mood === 'rest' && <circle cx="20" cy="20" r="13" class="open" />}
      {mood === 'heat' && <path d="M20 4 36 34H4z" class="solid" />}
      {mood === 'pause' && <path d="M7 6h9v28H7zM24 6h9v28h-9z" class="solid" />}
      {mood === 'act' && <path d="M20 3 33 17h-8v10H15V17H7zM6 31h28v5H6z" class="solid" />}
      {mood === 'cool' && <path d="M4 6h32L20 36z" class="open" />}
      {mood === 'done' && <path d="M5 21l10 10L35 8" class="line" />}
      {mood === 'wrong' && <path d="M13 3h14l10 10v14L27 37H13L3 27V13zM17 9v14h6V9zm0 17v6h6v-6z" class="solid" fill-rule="evenodd" />}
      {mood === 'lost' && <path d="M9 31A15 15 0 0 1 9 9M31 9a15 15 0 0 1 0 22M20 17v6" class="line" />}
    </svg>
  );
}
