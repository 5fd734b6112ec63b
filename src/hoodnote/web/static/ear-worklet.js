// The microphone's blocks as 16 kHz PCM16 in chunks. A context of another rate is resampled here, band-limited by a windowed sinc.

const RATE = 16000, CHUNK = 2048, HALF = 24;

class Ear extends AudioWorkletProcessor {
  constructor() {
    super();
    this.step = sampleRate / RATE;                  // input samples for one output sample
    this.cutoff = Math.min(1, 0.92 / this.step);
    this.reach = Math.ceil(HALF / this.cutoff);
    this.input = new Float32Array(0);
    this.at = this.reach;                           // of the next output sample, in input samples
    this.chunk = new Int16Array(CHUNK);
    this.filled = 0;
    this.peak = 0;
    this.on = true;
    this.port.onmessage = () => { this.on = false; };
  }

  process([input]) {
    if (!this.on) return false;
    if (!input || !input.length) return true;
    const mono = new Float32Array(input[0].length);
    for (const channel of input) for (let i = 0; i < mono.length; i++) mono[i] += channel[i] / input.length;
    if (this.step === 1) mono.forEach((sample) => this.put(sample));
    else this.resample(mono);
    return true;
  }

  resample(more) {
    const joined = new Float32Array(this.input.length + more.length);
    joined.set(this.input);
    joined.set(more, this.input.length);
    while (this.at + this.reach < joined.length) {
      const first = Math.ceil(this.at - this.reach), last = Math.floor(this.at + this.reach);
      let sum = 0, weight = 0;
      for (let i = first; i <= last; i++) {
        const x = i - this.at, angle = Math.PI * x * this.cutoff;
        const tap = (x === 0 ? 1 : Math.sin(angle) / angle) * (0.5 + 0.5 * Math.cos(Math.PI * x / (this.reach + 1)));
        sum += tap * joined[i];
        weight += tap;
      }
      this.put(sum / weight);
      this.at += this.step;
    }
    const drop = Math.max(0, Math.floor(this.at - this.reach) - 1);
    this.input = joined.slice(drop);
    this.at -= drop;
  }

  put(sample) {
    const value = Math.max(-1, Math.min(1, sample));
    this.peak = Math.max(this.peak, Math.abs(value));
    this.chunk[this.filled++] = Math.round(value * 32767);
    if (this.filled === CHUNK) {
      const pcm = this.chunk.buffer;
      this.port.postMessage({ pcm, peak: this.peak }, [pcm]);
      this.chunk = new Int16Array(CHUNK);
      this.filled = this.peak = 0;
    }
  }
}

registerProcessor("ear", Ear);
