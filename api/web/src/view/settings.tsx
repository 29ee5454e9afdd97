// How this viewer wants to see things: scale and look. Behind one button, because it is set once.

import { useEffect, useRef } from 'preact/hooks';
import type { Model } from '../model.ts';
import type { Look } from '../settings.ts';
import type { Scale } from '../logic/units.ts';

const scales: [Scale, string][] = [['C', '°C'], ['F', '°F']];
const looks: [Look, string][] = [['auto', 'As the device'], ['light', 'Light'], ['dark', 'Dark']];

export function View({ m }: { m: Model }) {
  const box = useRef<HTMLDetailsElement>(null);
  useEffect(() => {
    // Anything touched outside closes it; Escape too, with the focus back on its button.
    const outside = (e: Event) => { if (box.current?.open && !box.current.contains(e.target as Node)) box.current.open = false; };
    const escape = (e: KeyboardEvent) => {
      if (e.key !== 'Escape' || !box.current?.open) return;
      box.current.open = false;
      box.current.querySelector('summary')?.focus();
    };
    document.addEventListener('pointerdown', outside);
    document.addEventListener('keydown', escape);
    return () => {
      document.removeEventListener('pointerdown', outside);
      document.removeEventListener('keydown', escape);
    };
  }, []);
  return (
    <details class="view" ref={box}>
      <summary>View</summary>
      <div class="view-box">
        <Choice legend="Temperatures in" name="scale" options={scales} value={m.settings.scale} pick={(scale) => m.set({ scale })} />
        <Choice legend="Light or dark" name="look" options={looks} value={m.settings.look} pick={(look) => m.set({ look })} />
      </div>
    </details>
  );
}

interface ChoiceProps<T extends string> { legend: string; name: string; options: [T, string][]; value: T; pick: (v: T) => void }

function Choice<T extends string>({ legend, name, options, value, pick }: ChoiceProps<T>) {
  return (
    <fieldset class="choice">
      <legend>{legend}</legend>
      {options.map(([v, label]) => (
        <label key={v}>
          <input type="radio" name={name} checked={v === value} onChange={() => pick(v)} />
          <span>{label}</span>
        </label>
      ))}
    </fieldset>
  );
}
