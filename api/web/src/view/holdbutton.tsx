// A button that has to be held. It fills while pressed and does nothing when let go early.

import { useEffect, useRef, useState } from 'preact/hooks';
import { HOLD_MS, PressHold } from '../logic/hold.ts';

interface Props { label: string; detail: string; disabled: boolean; done: () => void }

export function HoldButton({ label, detail, disabled, done }: Props) {
  const button = useRef<HTMLButtonElement>(null);
  const fill = useRef<HTMLSpanElement>(null);
  const hold = useRef(new PressHold()).current;
  const frame = useRef(0);
  const latest = useRef(done);
  latest.current = done;
  const [said, say] = useState('');

  // Fires from a drawn frame only: if the page is so busy that nobody saw the button fill up, nothing starts.
  const draw = () => {
    const t = performance.now();
    if (fill.current) fill.current.style.transform = `scaleX(${hold.fraction(t)})`;
    if (hold.due(t)) {
      say('Start sent.');
      latest.current();
      return;
    }
    if (hold.pressed) frame.current = requestAnimationFrame(draw);
  };
  const press = () => {
    if (disabled || hold.pressed) return;
    hold.press(performance.now());
    say('Keep holding.');
    frame.current = requestAnimationFrame(draw);
  };
  const release = () => {
    if (hold.release()) say('Let go: nothing was started.');
    cancelAnimationFrame(frame.current);
    if (fill.current) fill.current.style.transform = 'scaleX(0)';
  };
  useEffect(() => {
    // Losing the window or the tab is letting go: a key-up that happens elsewhere never arrives here.
    window.addEventListener('blur', release);
    document.addEventListener('visibilitychange', release);
    return () => {
      release();
      window.removeEventListener('blur', release);
      document.removeEventListener('visibilitychange', release);
    };
  }, []);
  // The station may take the permission away under the finger.
  useEffect(() => { if (disabled) release(); }, [disabled]);

  // aria-disabled rather than disabled: a disabled button takes no focus, and nobody would hear why it does nothing.
  const holdKey = (e: KeyboardEvent) => e.key === ' ' || e.key === 'Enter';
  return (
    <>
      <button type="button" class="deed hold" ref={button} aria-describedby="hold-how" aria-disabled={disabled}
        onPointerDown={(e) => { if (e.button === 0) press(); }}
        onPointerMove={(e) => { if (hold.pressed && !within(button.current, e)) release(); }}
        onPointerUp={release} onPointerCancel={release} onPointerLeave={release} onBlur={release}
        onContextMenu={(e) => e.preventDefault()}
        onKeyDown={(e) => { if (holdKey(e)) { e.preventDefault(); if (!e.repeat) press(); } }}
        onKeyUp={(e) => { if (holdKey(e)) { e.preventDefault(); release(); } }}>
        <span class="hold-fill" ref={fill} />
        <span class="deed-words"><strong>{label}</strong><small>{detail}</small></span>
      </button>
      <span id="hold-how" class="heard-only">
        Hold the button, or Space or Enter, for {HOLD_MS / 1000} seconds to start heat. Letting go earlier cancels.
      </span>
      <span class="heard-only" role="status">{said}</span>
    </>
  );
}

// A touch keeps sending its moves to where it began, so sliding off has to be measured.
function within(el: Element | null, e: PointerEvent): boolean {
  if (!el) return false;
  const b = el.getBoundingClientRect();
  return e.clientX >= b.left && e.clientX <= b.right && e.clientY >= b.top && e.clientY <= b.bottom;
}
