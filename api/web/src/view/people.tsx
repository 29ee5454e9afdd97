// People: what this browser is to the station, who holds the controls, and for a supervisor who is paired at all.

import { useEffect, useState } from 'preact/hooks';
import type { Model } from '../model.ts';
import { digits, holderSentence, roles, roleWord } from '../logic/people.ts';
import { dayAndTime } from '../logic/words.ts';
import type { Paired, Pairing, Role } from '../wire.ts';

export function People({ m }: { m: Model }) {
  const me = m.me;
  useEffect(() => { void m.loadMe().then(() => m.loadPeople()); }, []); // the code may have changed since
  return (
    <div class="people">
      <h1>{me && !me.may_look ? 'This station shows itself to paired browsers only' : 'People and controls'}</h1>
      {me === null ? <p class="sheet">Asking the station who this browser is …</p> : me.you ? <Known m={m} you={me.you} /> : <Stranger m={m} me={me} />}
      {m.state && <Hold m={m} />}
      {m.people && <Everybody m={m} list={m.people} />}
    </div>
  );
}

// A browser that is paired already.
function Known({ m, you }: { m: Model; you: Paired }) {
  return (
    <section class="sheet" aria-labelledby="known-title">
      <h2 id="known-title">This browser</h2>
      <p>Paired as <strong>{you.name}</strong>, {roleWord(you.role)}, since {dayAndTime(you.paired_utc)}.</p>
      <p class="presses"><Press m={m} label="End this pairing" act={() => void m.unpair()} /></p>
      {m.me && !m.me.private && <Overheard />}
    </section>
  );
}

// A browser that the station does not know. At the station itself the code is there to be used with one press; elsewhere it has to
// be read from the station's own screen or console and typed, which is the point of it.
function Stranger({ m, me }: { m: Model; me: Pairing }) {
  const [code, setCode] = useState('');
  const [name, setName] = useState(m.settings.name || (me.here ? 'At the station' : ''));
  const [role, setRole] = useState<Role>('operator');
  const ready = name.trim() !== '' && m.busy === null;
  const pair = (with_: string) => void m.pair(with_, name.trim(), role);
  return (
    <form class="sheet" aria-labelledby="pair-title" onSubmit={(e) => { e.preventDefault(); if (ready) pair(me.code ?? code); }}>
      <h2 id="pair-title">Pair this browser</h2>
      <p>Whoever is paired may run the machine. {me.code !== null ? 'You are at the station itself, so here is its code.' : 'Read the code on the station’s own screen or console.'}</p>
      {me.code !== null && (
        <p class="presses"><output class="code">{me.code}</output><Press m={m} main disabled={!ready} label="Use this code" act={() => pair(me.code!)} /></p>
      )}
      <div class="fields">
        <label class="field">
          <span>Who you are, for the record</span>
          <input type="text" value={name} maxLength={40} autocomplete="name" spellcheck={false} onInput={(e) => setName((e.target as HTMLInputElement).value)} />
        </label>
        {me.code === null && (
          <label class="field">
            <span>The code, eight digits</span>
            <input class="code" type="text" inputMode="numeric" value={code} maxLength={12} autocomplete="one-time-code" spellcheck={false}
              onInput={(e) => setCode((e.target as HTMLInputElement).value)} />
          </label>
        )}
      </div>
      <fieldset class="picks roles">
        <legend>As</legend>
        {roles.map(([r, label, what]) => (
          <label key={r} class={r === role ? 'picked' : ''}>
            <input type="radio" name="role" checked={r === role} onChange={() => setRole(r)} />
            <span><strong>{label}</strong><small>{what}</small></span>
          </label>
        ))}
      </fieldset>
      {me.code === null && <p class="presses"><Press m={m} main submit disabled={!ready || digits(code).length < 8} label="Pair" act={() => {}} /></p>}
      {me.wait_s > 0 && <p class="quiet">After too many wrong codes the next try counts in {Math.ceil(me.wait_s)} s.</p>}
      {!me.private && <Overheard />}
    </form>
  );
}

function Overheard() {
  return (
    <p class="caution">
      This connection is not encrypted. Whoever is on the same network can read along and could act as this browser. Use it on a network of
      your own, or give the station a certificate.
    </p>
  );
}

// Who holds the controls and what can be done about it. The rail offers the same where hands are; here it is explained.
function Hold({ m }: { m: Model }) {
  const c = m.state!.controls;
  const where = m.standing();
  return (
    <section class="sheet" aria-labelledby="hold-title">
      <h2 id="hold-title">The controls</h2>
      <p><strong>{holderSentence(m.me, c)}</strong>{c.asking && ` ${c.asking.id === m.me?.you?.id ? 'You ask' : `${c.asking.name} asks`} for them.`}</p>
      <p class="quiet">
        One person at a time may start, hold, go on, confirm and reset. They change hands by asking, and come free when the holder’s page has
        been gone for a minute; a run goes on meanwhile. Stop works for everybody, always.
      </p>
      {where === 'holding' && <p class="presses"><Press m={m} label="Let go of the controls" act={() => void m.controls('release')} /></p>}
    </section>
  );
}

// Ending a pairing is at once and for good; whoever it was can pair again with the code.
function Everybody({ m, list }: { m: Model; list: Paired[] }) {
  return (
    <section class="sheet" aria-labelledby="list-title">
      <h2 id="list-title">Paired with this station</h2>
      <ul class="paired">
        {list.map((p) => (
          <li key={p.id}>
            <div>
              <strong>{p.name}</strong>{p.id === m.me?.you?.id ? ' (this browser)' : ''}
              <small>{roleWord(p.role)}, since {dayAndTime(p.paired_utc)}, from {p.source || 'somewhere'}</small>
            </div>
            {p.id !== m.me?.you?.id && <Press m={m} label="End" name={`End the pairing of ${p.name}`} act={() => void m.unpair(p.id)} />}
          </li>
        ))}
      </ul>
    </section>
  );
}

interface PressProps { m: Model; label: string; name?: string; act: () => void; main?: boolean; submit?: boolean; disabled?: boolean }

function Press({ m, label, name, act, main, submit, disabled }: PressProps) {
  return (
    <button type={submit ? 'submit' : 'button'} class={`press${main ? ' main' : ''}`} aria-label={name} disabled={disabled || m.busy !== null} onClick={act}>
      {label}
    </button>
  );
}
