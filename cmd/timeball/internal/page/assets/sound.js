// The cues as sound: what the program says a second is to sound like, played.

const level = 0.2, flank = 0.01; // full scale 1; s, so that no tone clicks

// schedule plays tones one after another from a time of an audio context, and
// returns what silences them.
export function schedule(context, tones, from) {
  const all = new GainNode(context);
  all.connect(context.destination);
  let at = from;
  for (const { hz, s } of tones) {
    if (hz > 0) {
      const tone = new OscillatorNode(context, { frequency: hz }), gain = new GainNode(context, { gain: 0 });
      gain.gain.setValueAtTime(0, at);
      gain.gain.linearRampToValueAtTime(level, at + flank);
      gain.gain.setValueAtTime(level, at + s - flank);
      gain.gain.linearRampToValueAtTime(0, at + s);
      tone.connect(gain).connect(all);
      tone.start(at);
      tone.stop(at + s);
    }
    at += s;
  }
  return () => {
    all.gain.setTargetAtTime(0, context.currentTime, flank / 3);
    setTimeout(() => all.disconnect(), 100);
  };
}

// Sound is off until a person switches it on: no browser lets it out before.
export class Sound {
  #context = null; #silence = () => {};

  get on() { return this.#context !== null; }

  toggle() {
    if (this.on) {
      this.#context.close();
      this.#context = null;
    } else {
      this.#context = new AudioContext();
    }
  }

  play(tones) {
    if (!this.on) return;
    this.#silence();
    this.#silence = schedule(this.#context, tones, this.#context.currentTime + 0.03);
  }
}
