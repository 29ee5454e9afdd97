// Who may do what, in words. Pure: what the station says of this browser and of the controls comes in, what to offer goes out.

import type { Controls, Pairing, Role } from '../wire.ts';

/** What this browser can do about the controls now. */
export type Standing =
  | 'unknown' // the station has not said who we are
  | 'unpaired'
  | 'watching' // paired to look only
  | 'holding' // the controls are ours
  | 'free' // nobody has them; we may take them
  | 'asked' // we have asked whoever has them
  | 'elsewhere'; // somebody has them; we may ask

/** Where this browser stands. */
export function standing(me: Pairing | null, c: Controls): Standing {
  if (me === null) return 'unknown';
  if (me.you === null) return 'unpaired';
  if (me.you.role === 'viewer') return 'watching';
  if (c.holder === null) return 'free';
  if (c.holder.id === me.you.id) return 'holding';
  return c.asking?.id === me.you.id ? 'asked' : 'elsewhere';
}

/** Who holds the controls, for the strip: one word. */
export function holderWord(me: Pairing | null, c: Controls): string {
  if (c.holder === null) return 'nobody';
  return c.holder.id === me?.you?.id ? 'you' : c.holder.name;
}

/** The same as a sentence. */
export function holderSentence(me: Pairing | null, c: Controls): string {
  if (c.holder === null) return 'Nobody holds the controls.';
  return c.holder.id === me?.you?.id ? 'You hold the controls.' : `${c.holder.name} holds the controls.`;
}

/** What a role may do, said to whoever has to choose one. */
export const roles: [Role, string, string][] = [
  ['operator', 'Operator', 'runs the machine'],
  ['supervisor', 'Supervisor', 'may also take the controls over and end pairings'],
  ['viewer', 'Viewer', 'looks, from anywhere'],
];

/** A role in the middle of a sentence. */
export function roleWord(role: Role): string {
  return role === 'operator' ? 'an operator' : `a ${role}`;
}

/** A code as it was typed, reduced to its digits: what else is typed between them is how people read numbers. */
export function digits(typed: string): string {
  return typed.replace(/\D/g, '').slice(0, 8);
}
