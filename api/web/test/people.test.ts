import assert from 'node:assert/strict';
import { test } from 'node:test';
import { digits, holderSentence, holderWord, standing } from '../src/logic/people.ts';
import type { Controls, Pairing, Role } from '../src/wire.ts';

const mira = { id: 'm', name: 'Mira', role: 'operator' as Role };
const jonas = { id: 'j', name: 'Jonas', role: 'operator' as Role };
const me = (role: Role | null): Pairing => ({ you: role === null ? null : { ...mira, role, paired_utc: '', source: '' }, code: null, here: false, may_look: true, private: true, wait_s: 0 });
const held = (holder: Controls['holder'], asking: Controls['asking'] = null): Controls => ({ holder, asking });

test('every standing is told apart, and only the holder holds', () => {
  assert.equal(standing(null, held(mira)), 'unknown');
  assert.equal(standing(me(null), held(null)), 'unpaired');
  assert.equal(standing(me('viewer'), held(mira)), 'watching');
  assert.equal(standing(me('operator'), held(mira)), 'holding');
  assert.equal(standing(me('supervisor'), held(null)), 'free');
  assert.equal(standing(me('operator'), held(jonas)), 'elsewhere');
  assert.equal(standing(me('operator'), held(jonas, mira)), 'asked');
});

test('two people of one name are not one person', () => {
  assert.equal(standing(me('operator'), held({ ...jonas, name: 'Mira' })), 'elsewhere');
});

test('who holds the controls is said to everybody in their own terms', () => {
  assert.equal(holderWord(me('operator'), held(mira)), 'you');
  assert.equal(holderWord(me(null), held(mira)), 'Mira');
  assert.equal(holderWord(null, held(null)), 'nobody');
  assert.equal(holderSentence(me('operator'), held(jonas)), 'Jonas holds the controls.');
});

test('a code may be typed the way people read numbers', () => {
  assert.equal(digits(' 4821-77 30x'), '48217730');
  assert.equal(digits('123456789012'), '12345678');
});
