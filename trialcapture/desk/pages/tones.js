// Tones for the helm, so that nobody there need read. Off until somebody touches the switch; browsers ask for that too.

/** Pitches [Hz] and lengths [s] of each tone: told apart by number and direction, not by pitch alone. */
const TUNES = {
  held: [[660, 0.18], [880, 0.3]],
  turn: [[740, 0.14], [740, 0.14], [740, 0.14]],
  next: [[523, 0.14], [659, 0.14], [784, 0.28]],
  lost: [[494, 0.25], [330, 0.45]],
  attention: [[880, 0.12], [587, 0.12], [880, 0.12], [587, 0.12]],
};
const GAP_S = 0.07;

let context = null;

/** Switch on or off; must be called from a touch or key. Returns whether tones can be heard now. */
export async function switchTones(on) {
  if (!on) {
    await context?.close();
    context = null;
    return false;
  }
  try {
    context = new AudioContext();
    await context.resume();
  } catch {
    context = null;
  }
  if (context) play("held");
  return context !== null;
}

/** Sound a tone, where tones are on. */
export function play(name) {
  const tune = TUNES[name];
  if (!context || !tune) return false;
  let at = context.currentTime + 0.03;
  for (const [pitch_hz, length_s] of tune) {
    const voice = context.createOscillator();
    const loudness = context.createGain();
    voice.type = "triangle";
    voice.frequency.value = pitch_hz;
    loudness.gain.setValueAtTime(0, at);
    loudness.gain.linearRampToValueAtTime(0.6, at + 0.02);  // a ramp, or it clicks
    loudness.gain.setValueAtTime(0.6, at + length_s - 0.03);
    loudness.gain.linearRampToValueAtTime(0, at + length_s);
    voice.connect(loudness).connect(context.destination);
    voice.start(at);
    voice.stop(at + length_s);
    at += length_s + GAP_S;
  }
  return true;
}

/** Return a function that tells, board after board, which tone a change of advice calls for; null for none. */
export function toneOf() {
  let before = null;
  return (advice) => {
    const mark = `${advice.at}|${advice.kind}|${advice.tone}`;
    const first = before === null;
    const changed = before !== mark;
    before = mark;
    return changed && !first ? advice.tone : null;
  };
}
