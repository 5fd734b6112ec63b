// Numbered chunks of sound, kept on this device until the server says that they may be forgotten, and sent in order however often
// the connection drops. What the messages mean stands at the head of ear.py.

const WINDOW = 128, HEADER = 12;
const MOST = 14000;                                 // chunks kept, half an hour
const AGAIN_MS = [500, 1000, 2000, 4000, 8000];
const SILENT_MS = 8000;                             // without a word from the server while sound is under way: the connection is dead

function done(request) {
  return new Promise((resolve, reject) => {
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
}

// Beside the memory of the page, for a page that is loaded again or a battery that ends. Without IndexedDB only memory is left.
export async function openKept() {
  let database = null;
  try {
    const request = indexedDB.open("hoodnote-ear", 1);
    request.onupgradeneeded = () => request.result.createObjectStore("chunks", { keyPath: ["stream", "number"] });
    database = await done(request);
  } catch { /* a private window */ }
  const chunks = (mode) => database.transaction("chunks", mode).objectStore("chunks");
  const quietly = (act) => { try { if (database) act(); } catch { /* the memory of the page still has it */ } };
  return {
    put: (chunk) => quietly(() => chunks("readwrite").put(chunk)),
    forget: (stream, below) => quietly(() => chunks("readwrite").delete(IDBKeyRange.bound([stream, 0], [stream, below], false, true))),
    all: async () => (database ? done(chunks("readonly").getAll()).catch(() => []) : []),
  };
}

// One stream to one job. `told` gets the server's messages, `connected` true, false, or the text of why it is given up.
export class Line {
  constructor({ job, stream, csrf, kept, chunks = [], told = () => {}, connected = () => {} }) {
    Object.assign(this, { job, stream, csrf, kept, told, connected });
    this.chunks = new Map(chunks.map((chunk) => [chunk.number, chunk]));
    this.count = chunks.length ? chunks.at(-1).number + 1 : 0;
    this.sent = this.wanted = 0;
    this.tries = this.warned = 0;                  // warned: of the last `now` that was shown
    this.ready = this.ending = this.over = this.paused = false;
    this.connect();
    this.watch = setInterval(() => this.lookAfter(), 1000);
  }

  get unsent() { return this.chunks.size; }

  add(pcm, own) {
    if (this.chunks.size >= MOST) return false;
    const chunk = { stream: this.stream, job: this.job, number: this.count++, pcm, own, at: Date.now(), warned: this.warned };
    this.chunks.set(chunk.number, chunk);
    this.kept.put(chunk);
    this.pump();
    return true;
  }

  say(what) {
    if (!this.ready) return false;
    this.socket.send(JSON.stringify(what));
    return true;
  }

  end() {
    this.ending = true;
    this.pump();
  }

  connect() {
    if (this.over) return;
    this.socket = new WebSocket(`${location.protocol === "https:" ? "wss" : "ws"}://${location.host}/job/${this.job}/ear`);
    this.socket.binaryType = "arraybuffer";
    const first = this.chunks.size ? this.chunks.keys().next().value : this.count;
    this.heard = Date.now();
    this.socket.onopen = () => this.socket.send(JSON.stringify({ csrf: this.csrf, stream: this.stream, first, paused: this.paused }));
    this.socket.onmessage = (event) => this.message(JSON.parse(event.data));
    this.socket.onclose = (event) => this.closed(event.code);
  }

  message(message) {
    this.heard = Date.now();
    if (message.kind === "from") {
      this.ready = true;
      this.tries = 0;
      this.endSaid = false;
      this.sent = this.wanted = message.next;
      this.connected(true);
    } else if (message.kind === "kept") {
      this.wanted = message.next;
      this.forget(message.kept);
    } else if (message.kind === "ended") {
      this.over = true;
      clearInterval(this.watch);
      this.forget(this.count);
      this.told(message);
      return;
    } else if (message.kind === "state") {
      this.paused = message.state === "paused";
      this.told(message);
    } else {
      this.told(message);
    }
    this.pump();
  }

  forget(below) {
    for (const number of this.chunks.keys()) {
      if (number >= below) break;
      this.chunks.delete(number);
    }
    this.kept.forget(this.stream, below);
  }

  pump() {
    if (!this.ready) return;
    while (this.sent < this.count && this.sent < this.wanted + WINDOW) {
      const chunk = this.chunks.get(this.sent);
      if (chunk) this.socket.send(this.frame(chunk));
      this.sent++;
    }
    if (this.ending && !this.endSaid && this.sent === this.count) {
      this.endSaid = this.say({ kind: "end", count: this.count });
    }
  }

  frame(chunk) {
    const data = new Uint8Array(HEADER + chunk.pcm.byteLength), head = new DataView(data.buffer);
    head.setUint32(0, chunk.number, true);
    head.setUint32(4, (chunk.own ? 1 : 0) + 2 * (chunk.warned || 0), true);
    head.setUint32(8, Math.max(0, Math.min(0xffffffff, Date.now() - chunk.at)), true);
    data.set(new Uint8Array(chunk.pcm), HEADER);
    return data;
  }

  closed(code) {
    this.ready = false;
    if (this.over) return;
    if (code === 4403) {
      this.over = true;
      clearInterval(this.watch);
      this.connected("this device is not let in; open the page again and pair it. What you said is kept here and sent then");
      return;
    }
    this.connected(false);
    if (code === 1006) this.askWhy();
    setTimeout(() => this.connect(), AGAIN_MS[Math.min(this.tries++, AGAIN_MS.length - 1)]);
  }

  // A connection that is refused looks to a script like one that fails; a page that is refused does not.
  async askWhy() {
    const answer = await fetch(`/job/${this.job}/bay`, { redirect: "manual", headers: { accept: "application/json" } }).catch(() => null);
    if (answer && (answer.status === 401 || answer.status === 403)) this.closed(4403);
  }

  lookAfter() {
    if (this.ready && this.sent > this.wanted && Date.now() - this.heard > SILENT_MS) this.socket.close();
  }
}

// What an earlier page of this device could not send any more.
export async function sendLeft(kept, csrf, told) {
  const streams = new Map();
  for (const chunk of await kept.all()) streams.set(chunk.stream, [...(streams.get(chunk.stream) || []), chunk]);
  for (const [stream, chunks] of streams) new Line({ job: chunks[0].job, stream, csrf, kept, chunks, told }).end();
  return streams.size;
}
