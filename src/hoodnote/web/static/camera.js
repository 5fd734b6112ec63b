// The camera page: photos go into what waits on this phone at once, from there to the server, and come back as what was read.

import { openWaiting, Sender } from "./waiting.js";

const main = document.getElementById("camera");
const list = document.getElementById("waiting");
const results = document.getElementById("results");
const state = document.getElementById("state");
const template = document.getElementById("waiting-one");
const kind = document.getElementById("kind");
const place = document.getElementById("place");
const POLL_MS = 1000, POLL_SLOWLY_MS = 4000, SOON_MS = 30000;

const waiting = await openWaiting();
const cards = new Map();
const sender = new Sender(waiting, main.querySelector("form input").value, {
  progress: (item, ratio) => { card(item).querySelector("progress").value = ratio; tell(item, ratio < 1 ? "is being sent" : "has arrived, is being kept"); },
  sent: (item, answer) => { drop(item); follow(answer.result, item.job === main.dataset.job); count(""); },
  refused: (item) => { refuse(item); count(""); },
  later: (item, status, answer) => { tell(item, "waits on this phone"); count(why(status, answer)); },
});

function why(status, answer) {
  if (status === 401 || status === 403) return "This phone is not paired any more, or the page is old: load the page again, the photos stay here.";
  if (status === 507 || status === 429) return answer.problem || "The shop's machine cannot take it now; it is tried again.";
  return "No connection to the shop's machine; it is tried again by itself.";
}

function card(item) {
  let found = cards.get(item.delivery);
  if (!found) {
    found = template.content.firstElementChild.cloneNode(true);
    const said = [kind, place].map((choice) => [...choice.options].find((o) => o.value && (o.value === item.kind || o.value === item.place))?.text);
    found.querySelector(".name").textContent = item.name || "photo";
    found.querySelector(".said").textContent = said.filter(Boolean).join(", ");
    found.querySelector(".when").textContent = new Date(item.taken).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" });
    found.querySelector("button").addEventListener("click", async () => { await waiting.remove(item.delivery); drop(item); count(""); });
    cards.set(item.delivery, found);
    list.append(found);
  }
  return found;
}

function tell(item, text) { card(item).querySelector(".state").textContent = text; }

function refuse(item) {
  const found = card(item);
  found.classList.add("refused");
  found.querySelector(".state").textContent = `Take it again: ${item.problem}`;
  found.querySelector("progress").hidden = true;
  found.querySelector("button").hidden = false;
}

function drop(item) { cards.get(item.delivery)?.remove(); cards.delete(item.delivery); }

async function count(reason) {
  const left = (await waiting.all()).filter((item) => !item.problem).length;
  const many = left === 1 ? "1 photo waits on this phone." : `${left} photos wait on this phone.`;
  const keep = waiting.lasting ? "" : " This browser keeps nothing: leave this page open until all are sent.";
  state.textContent = left ? `${many} ${reason}${keep}` : "Nothing waits on this phone: all photos are with the job.";
}

async function add(files) {
  const said = { kind: kind.value, place: place.value };
  kind.value = place.value = "";                 // what was said counts for these photos alone
  for (const file of files) {
    const blob = new Blob([await file.arrayBuffer()], { type: file.type });     // a copy: the camera's own file may go
    const item = { delivery: crypto.randomUUID(), job: main.dataset.job, name: file.name, taken: Date.now(), blob, ...said };
    try {
      await waiting.put(item);
    } catch {
      state.textContent = "This phone has no room left to keep the photo: free some space and take it again.";
      return;
    }
    tell(item, "waits on this phone");
  }
  await count("");
  sender.now();
}

// The piece of page for a photo, asked for again until it was read.
async function follow(url, here, element = null, since = Date.now()) {
  if (!here) return;
  if (!element) {
    element = document.createElement("article");
    results.prepend(element);
  }
  let state = "waiting";
  try {
    const answer = await fetch(url, { cache: "no-store" });
    if (answer.ok) {
      const made = new DOMParser().parseFromString(await answer.text(), "text/html").querySelector("article");
      state = made.dataset.state;
      if (state !== element.dataset.state) {
        element.replaceWith(made);
        element = made;
      }
    } else if (answer.status < 500 && answer.status !== 429) {
      return;
    }
  } catch { /* no connection: asked again */ }
  if (state === "waiting") setTimeout(() => follow(url, true, element, since), Date.now() - since < SOON_MS ? POLL_MS : POLL_SLOWLY_MS);
}

for (const input of document.querySelectorAll("input[type=file]")) {
  input.addEventListener("change", () => { add([...input.files]).finally(() => { input.value = ""; }); });
  input.disabled = false;
}
for (const element of results.querySelectorAll("article[data-state=waiting]")) follow(element.dataset.url, true, element);
for (const item of await waiting.all()) item.problem ? refuse(item) : tell(item, "waits on this phone");
await count("");
sender.now();
