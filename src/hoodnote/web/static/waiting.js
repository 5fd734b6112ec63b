// What waits on this device until the server has acknowledged it: kept in IndexedDB, sent oldest first, again and again, each under
// the one name it got when it was made (`delivery`), so that the server keeps it once.

const AGAIN_MS = [2000, 4000, 8000, 15000, 30000, 60000];
const LATER = new Set([401, 403, 408, 429]);      // not the photo's fault; nor is any 5xx

function done(request) {
  return new Promise((resolve, reject) => {
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
}

function inDatabase(database) {
  const change = (act) => new Promise((resolve, reject) => {
    const transaction = database.transaction("waiting", "readwrite", { durability: "strict" });
    act(transaction.objectStore("waiting"));
    transaction.oncomplete = () => resolve();
    transaction.onabort = transaction.onerror = () => reject(transaction.error);
  });
  return {
    lasting: true,
    put: (item) => change((store) => store.put(item)),
    remove: (delivery) => change((store) => store.delete(delivery)),
    all: () => done(database.transaction("waiting").objectStore("waiting").getAll()),
  };
}

function inMemory() {
  const items = new Map();
  return {
    lasting: false,
    put: async (item) => { items.set(item.delivery, item); },
    remove: async (delivery) => { items.delete(delivery); },
    all: async () => [...items.values()],
  };
}

// `lasting` is false where the browser keeps nothing (a private window): then what waits is lost with the page.
export async function openWaiting() {
  try {
    const request = indexedDB.open("hoodnote", 1);
    request.onupgradeneeded = () => request.result.createObjectStore("waiting", { keyPath: "delivery" });
    return inDatabase(await done(request));
  } catch {
    return inMemory();
  }
}

function post(item, csrf, progress) {
  const said = new URLSearchParams({
    delivery: item.delivery, name: item.name, kind: item.kind, place: item.place, age: ((Date.now() - item.taken) / 1000).toFixed(1),
  });
  return new Promise((resolve) => {
    const request = new XMLHttpRequest();       // fetch does not tell how much was sent
    request.open("POST", `/job/${item.job}/photos?${said}`);
    request.setRequestHeader("csrf", csrf);
    request.setRequestHeader("content-type", "application/octet-stream");
    request.responseType = "json";
    request.timeout = 180000;
    request.upload.onprogress = (event) => event.lengthComputable && progress(event.loaded / event.total);
    request.onload = () => resolve({ status: request.status, answer: request.response || {} });
    request.onerror = request.ontimeout = request.onabort = () => resolve({ status: 0, answer: {} });
    request.send(item.blob);
  });
}

// Calls `on.progress(item, ratio)`, `on.sent(item, answer)`, `on.refused(item)`, `on.later(item, status, answer)`.
// A refused one stays here with its `problem` until the person puts it away.
export class Sender {
  constructor(waiting, csrf, on) {
    Object.assign(this, { waiting, csrf, on, failed: 0, timer: 0, running: null, asked: false });
    const again = () => { this.failed = 0; this.now(); };
    addEventListener("online", again);
    document.addEventListener("visibilitychange", () => document.hidden || again());
  }

  // Everything that waits, also of other jobs. One round at a time on this device, whatever pages are open.
  now() {
    clearTimeout(this.timer);
    this.asked = true;
    this.running ??= this.rounds().finally(() => { this.running = null; });
    return this.running;
  }

  async rounds() {
    while (this.asked) {
      this.asked = false;
      const round = () => this.round();
      const held = navigator.locks ? await navigator.locks.request("hoodnote sends", round) : await round();
      if (held) {
        this.timer = setTimeout(() => this.now(), AGAIN_MS[Math.min(this.failed++, AGAIN_MS.length - 1)]);
      } else {
        this.failed = 0;
      }
    }
  }

  // True when something is left to be sent later.
  async round() {
    const items = (await this.waiting.all()).filter((item) => !item.problem).sort((a, b) => a.taken - b.taken);
    let held = false;
    for (const item of items) {
      const { status, answer } = await post(item, this.csrf, (ratio) => this.on.progress(item, ratio));
      if (status === 200 || status === 201) {
        await this.waiting.remove(item.delivery);
        this.on.sent(item, answer);
      } else if (status === 0 || status >= 500 || LATER.has(status)) {
        held = true;
        this.on.later(item, status, answer);
        if (status !== 507) break;               // no use to try the others now
      } else {
        item.problem = answer.problem || "the photo was not accepted; take it again";
        await this.waiting.put(item);
        this.on.refused(item);
      }
    }
    return held;
  }
}
