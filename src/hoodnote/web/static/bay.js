// The bay screen: the microphone's chunks go to the line, what the server tells is shown large, buttons do what the voice can do.

import { Line, openKept, sendLeft } from "./ear.js";

const TONES = { taken: [[880, 0.06], [1320, 0.08]], asked: [[660, 0.09], [0, 0.05], [660, 0.09]], stop: [[990, 0.12], [660, 0.12], [440, 0.2]] };
const TAIL_MS = 700;                 // our own sound reaches the microphone late, and what begins after it takes half a second from before
const LOG = 5;

const root = document.getElementById("bay");
const at = (id) => document.getElementById(id);
const { job, csrf } = root.dataset;
let context = null, aloud = false, ownUntil = 0, here = false, full = false, state = "", seen = null, checks = [];

const element = (name, text, act) => {
  const made = document.createElement(name);
  made.textContent = text;
  if (act) { made.type = "button"; made.addEventListener("click", act); }
  return made;
};
const own = () => Date.now() < ownUntil || (window.speechSynthesis && speechSynthesis.speaking);

function speak(text) {
  if (!aloud || !text || !window.speechSynthesis) return;
  const said = new SpeechSynthesisUtterance(text.replace(/\bpsi\b/g, "P S I").replace(/°F/g, "degrees"));
  said.lang = "en";
  said.onstart = () => { ownUntil = Date.now() + 60000; };
  said.onend = said.onerror = () => { ownUntil = Date.now() + TAIL_MS; };
  ownUntil = Date.now() + 2000;
  speechSynthesis.speak(said);
}

function sound(name) {
  if (!context || !TONES[name]) return;
  let time = context.currentTime;
  for (const [hz, seconds] of TONES[name]) {
    if (hz) {
      const tone = context.createOscillator(), loud = context.createGain();
      tone.frequency.value = hz;
      loud.gain.setValueAtTime(0, time);
      loud.gain.linearRampToValueAtTime(0.25, time + 0.008);
      loud.gain.setValueAtTime(0.25, time + seconds - 0.008);
      loud.gain.linearRampToValueAtTime(0, time + seconds);
      tone.connect(loud).connect(context.destination);
      tone.start(time);
      tone.stop(time + seconds);
    }
    time += seconds;
  }
  ownUntil = Math.max(ownUntil, Date.now() + 1000 * (time - context.currentTime) + TAIL_MS);
}

function log(text) {
  at("log").prepend(element("li", text));
  while (at("log").children.length > LOG) at("log").lastChild.remove();
}

function showReading(entry) {
  at("place").textContent = entry ? entry.place : "";
  at("figure").textContent = entry ? entry.figure : "no reading yet";
  at("figure").classList.toggle("none", !entry);
  const of = checks.filter((finding) => entry && finding.basis.includes(entry.id));
  at("checks").replaceChildren(...of.map((finding) => element("li", finding.outcome === "cannot tell"
    ? `${finding.title}: cannot tell${finding.missing.length ? `; missing: ${finding.missing.join(", ")}` : ""}`
    : `${finding.title}: ${finding.outcome} what is expected${finding.expected ? ` (${finding.expected})` : ""}`)));
}

function showQuestion(questions, voice) {
  const [question] = questions;
  at("question").hidden = !question;
  if (!question) return;
  if (at("question").dataset.entry === String(question.id)) return;      // a button must not move under the finger
  at("question").dataset.entry = question.id;
  at("asked").textContent = question.question;
  const answer = (what) => () => { line.say({ kind: "answer", entry: question.id, ...what }); };
  const one = question.choices.length === 1;
  const buttons = question.choices.map((text, i) => element("button", one ? `Yes: ${text}` : text, answer({ keep: i + 1 })));
  buttons.push(element("button", one ? "No" : question.choices.length ? "Neither" : "Put it away", answer({ drop: true })));
  at("choices").replaceChildren(...buttons);
  at("how").textContent = (question.id === voice ? (one ? 'Or say "yes", "no" or the whole reading.' : 'Or say the figure, "first one", "second one" or "scratch that".')
    : "Press one, or say the whole reading again.") + (questions.length > 1 ? ` ${questions.length - 1} more open.` : "");
  at("heard").replaceChildren(...question.heard.map((text) => element("li", text)));
  enable();
}

function showHazards(hazards) {
  const was = at("hazards").hidden;
  at("hazard-list").replaceChildren(...hazards.map((hazard) => element("li", hazard.text)));
  at("hazards").hidden = !hazards.length;
  for (const covered of document.querySelectorAll("body > .skip, body > .top, #bay > :not(#hazards)")) covered.inert = hazards.length > 0;
  if (was && hazards.length) at("understood").focus();
}

function enable() {
  for (const button of [at("understood"), ...at("choices").children]) button.disabled = !here;
}

const show = {
  state: (m) => {
    state = m.state;
    at("state").textContent = context || m.state === "paused" ? m.state + (m.waiting ? `, ${m.waiting} waiting` : "") : "press Start";
    at("pause").textContent = m.state === "paused" ? "Go on" : "Pause";
  },
  now: (m) => { seen = m; line.warned = m.warned; showHazards(m.hazards); showReading(m.last); showQuestion(m.questions, m.voice); if (!m.questions.length) delete at("question").dataset.entry; },
  partly: (m) => { at("partly").textContent = m.text; },
  taken: (m) => {
    for (const entry of m.entries) log(entry.question ? `asked: ${entry.question}` : `${entry.place} ${entry.figure}`);
    for (const text of m.claims) log(`not borne out: ${text}`);
    speak([...m.warnings.map((w) => `Stop. ${w.text}`), ...m.entries.map((e) => e.question || `${e.place} ${e.figure}`), ...m.claims].join(". "));
  },
  unheard: () => { log("not understood, the clip is kept; say it again"); speak("say it again"); },
  checked: (m) => {
    checks = [...m.findings, ...checks].slice(0, 40);
    if (seen) showReading(seen.last);
    speak(m.findings.filter((f) => f.outcome === "outside").map((f) => `${f.title}: outside what is expected`).join(". "));
  },
  figures: (m) => { for (const e of m.entries) log(`${e.place} ${e.figure}`); speak(m.entries.map((e) => `${e.place} ${e.figure}`).join(". ") || "no figure has been taken yet"); },
  lines: (m) => m.lines.forEach(log),
  remark: (m) => log(m.text),
  problem: (m) => log(m.text),
  tone: (m) => sound(m.name),
  ended: (m) => { stop(); at("state").textContent = m.closed ? "job closed" : "not listening"; },
};

function connection(how) {
  here = how === true;
  tellLine(typeof how === "string" ? how : "");
  enable();
}

function tellLine(text = "") {
  const seconds = Math.round(line ? line.unsent * 0.128 : 0);
  at("line").textContent = full ? "half an hour is kept here and cannot be sent: nothing more is taken until there is a connection"
    : text || (here ? "" : `no connection: ${seconds} s kept here, sent later`);
}

async function start() {
  at("start").disabled = true;
  try {
    const stream = await navigator.mediaDevices.getUserMedia({ audio: { channelCount: 1, echoCancellation: false, noiseSuppression: false, autoGainControl: false } });
    let source;
    context = new AudioContext({ sampleRate: 16000 });
    try {
      source = context.createMediaStreamSource(stream);
    } catch {                                          // a browser that resamples no microphone
      await context.close();
      context = new AudioContext();
      source = context.createMediaStreamSource(stream);
    }
    await context.audioWorklet.addModule("/static/ear-worklet.js");
    await context.resume();
    const ear = new AudioWorkletNode(context, "ear", { numberOfOutputs: 0 });
    ear.port.onmessage = ({ data }) => {
      at("level").value = 20 * Math.log10(Math.max(data.peak, 1e-3));
      full = !line.add(data.pcm, own());
      if (!here || full) tellLine();
    };
    source.connect(ear);
    stream.getAudioTracks()[0].onended = () => { stop(); log("the microphone is gone; is it plugged in? Press Start when it is back"); };
    at("start").hidden = true;
    at("pause").hidden = false;
    show.state({ state: state || "listening", waiting: 0 });
    if (navigator.wakeLock) navigator.wakeLock.request("screen").catch(() => {});
  } catch (problem) {
    stop();
    log(problem.name === "NotAllowedError" ? "the browser does not let this page use the microphone; allow it in the address bar and press Start"
      : `no microphone can be used (${problem.message}); plug one in and press Start`);
  }
}

function stop() {
  if (context) context.close();
  context = null;
  at("start").hidden = at("start").disabled = false;
  at("pause").hidden = true;
  at("state").textContent = "press Start";
}

function pause() {
  if (state === "paused") line.say({ kind: "resume" });
  else if (!line.say({ kind: "pause" })) { stop(); log("paused here; press Start to go on"); }
}

const kept = await openKept();
const left = await sendLeft(kept, csrf, (m) => { if (["taken", "problem", "remark"].includes(m.kind)) show[m.kind](m); });
if (left) log("what was said before and not sent is sent now");
const stream = crypto.randomUUID ? crypto.randomUUID() : "10000000-1000-4000-8000-100000000000".replace(/[018]/g,
  (c) => (c ^ crypto.getRandomValues(new Uint8Array(1))[0] & 15 >> c / 4).toString(16));
const line = new Line({ job: Number(job), stream, csrf, kept, told: (m) => show[m.kind]?.(m), connected: connection });
at("start").addEventListener("click", start);
at("pause").addEventListener("click", pause);
at("understood").addEventListener("click", () => line.say({ kind: "understood", warned: line.warned }));
at("aloud").addEventListener("click", () => {
  aloud = !aloud;
  at("aloud").setAttribute("aria-pressed", aloud);
  at("aloud").textContent = `Read aloud: ${aloud ? "on" : "off"}`;
  if (!aloud && window.speechSynthesis) speechSynthesis.cancel();
});
addEventListener("beforeunload", (event) => { if (line.unsent > 100) event.preventDefault(); });
