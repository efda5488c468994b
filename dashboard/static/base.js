// What every page does: keep its words fresh from the server's events, say when the line is lost, send acts.

/** The value at a dotted path; "" is the object itself. */
export function get(object, path) {
  return path === "" ? object : path.split(".").reduce((at, step) => (at == null ? undefined : at[step]), object);
}

const filled = value => !(value == null || value === "" || value === false || value === 0 || (Array.isArray(value) && !value.length));

function setText(element, value) {
  const text = value == null ? "" : String(value);
  if (element.textContent !== text) element.textContent = text;
}

/** Puts the data into the marked places below `root`. The server made the first state with the same data. */
export function fill(root, data) {
  if (root.nodeType === 1) place(root, data);
  for (const child of root.children) {
    if (child.dataset.each !== undefined) { place(child, data); each(child, get(data, child.dataset.each) ?? []); }
    else if (child.dataset.scope !== undefined) { const inner = get(data, child.dataset.scope); if (inner) fill(child, inner); }
    else if (child.dataset.own === undefined && child.tagName !== "TEMPLATE") fill(child, data);
  }
}

const SHAPES = { over: "plan", within: "ok", alarm: "soon", off: "quiet", unknown: "wait" };

/** A tone is a colour and a shape. */
function setTone(element, tone) {
  if (element.dataset.tone === tone) return;
  element.dataset.tone = tone;
  element.querySelector(":scope > .shape > .u")?.setAttribute("href", `#s-${SHAPES[tone] ?? tone}`);
}

function place(element, data) {
  const marks = element.dataset;
  if (marks.text !== undefined && !(marks.scope !== undefined)) setText(element, get(data, marks.text));
  if (marks.show !== undefined) element.hidden = !filled(get(data, marks.show));
  if (marks.hide !== undefined) element.hidden = filled(get(data, marks.hide));
  if (marks.toneFrom !== undefined) setTone(element, get(data, marks.toneFrom));
  if (marks.knownFrom !== undefined) marks.known = get(data, marks.knownFrom) == null ? "no" : "yes";
  if (marks.attr !== undefined) for (const pair of marks.attr.split(";")) {
    const [name, path] = pair.split(":");
    element.setAttribute(name, get(data, path) ?? (name === "width" ? 0 : ""));
  }
  if (marks.noneFrom !== undefined) marks.none = get(data, marks.noneFrom) == null ? "yes" : "no";
}

/** Keeps one child (or group of children) for each item; a child that stays is never replaced, so focus and open details stay. */
function each(list, items) {
  const template = list.querySelector(":scope > template");
  const size = template.content.children.length;
  const keyed = template.content.firstElementChild.dataset.key !== undefined;
  let children = [...list.children].filter(child => child !== template);
  if (keyed) {
    const byKey = new Map(children.map(child => [child.dataset.key, child]));
    let before = template;
    for (const item of items) {
      const key = String(item.id);
      let child = byKey.get(key);
      if (child) byKey.delete(key);
      else {
        child = document.importNode(template.content, true).firstElementChild;
        child.dataset.key = key;
        for (const form of child.querySelectorAll("form[action]")) form.setAttribute("action", form.getAttribute("action").replace("/0/", `/${key}/`));
      }
      if (before.nextElementSibling !== child) before.after(child);
      before = child;
      fill(child, item);
    }
    for (const gone of byKey.values()) gone.remove();
    return;
  }
  while (children.length > items.length * size) children.pop().remove();
  while (children.length < items.length * size) {
    list.append(document.importNode(template.content, true));
    children = [...list.children].filter(child => child !== template);
  }
  items.forEach((item, at) => { for (let i = 0; i < size; i++) fill(children[at * size + i], item); });
}

/** Once the page has shown itself: what it needs besides may come then. */
export const painted = new Promise(done => requestAnimationFrame(() => setTimeout(done)));

/** Loads the chart library, which is as large as all the rest. */
export const library = src => new Promise((done, fail) => {
  const script = document.createElement("script");
  Object.assign(script, { src, onload: done, onerror: fail });
  document.head.append(script);
});

// The line to the server ------------------------------------------------------------------------------------------

const listeners = new Set();
let latest = null;

/** Calls back with the data of "Now" each time it arrives, and at once when it is there already. */
export function onNow(callback) {
  listeners.add(callback);
  if (latest) callback(latest);
}

const lost = document.getElementById("link-lost");
const LOST_MS = 4000; // Data come once a second. Three that fail to come are no hiccup any more.
const AGAIN_MS = 5000;
let heard = performance.now(); // when data came last; the page itself brought some
let heardAt = Date.now();
let tried = heard;
let kept = 0;
let source = null;

function take(data) {
  latest = data;
  heard = performance.now();
  heardAt = Date.now();
  lost.hidden = true;
  if (heardAt - kept > 20000) { kept = heardAt; try { localStorage.setItem("heard", kept); } catch { /* a private window keeps nothing */ } }
  fill(document.body, data);
  for (const callback of listeners) callback(data);
}

/** Nobody may take what stands on the page for the present: the verdict and the tones turn grey. */
function sayLost() {
  const words = `No contact since ${new Date(heardAt).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" })}`;
  lost.textContent = `${words}. What this page shows is from then. It keeps trying.`;
  lost.hidden = document.querySelector(".verdict[data-tone-from]") != null; // which says it by itself, below
  document.body.dataset.contact = "lost";
  dispatchEvent(new Event("lost"));
  document.title = `(?) ${words}`;
  for (const state of document.querySelectorAll("[data-text=state_words]")) {
    if (!/^(Last heard|Not known)/.test(state.textContent)) state.textContent = `Last heard: ${state.textContent[0].toLowerCase()}${state.textContent.slice(1)}`;
  }
  for (const verdict of document.querySelectorAll(".verdict[data-tone-from]")) {
    setTone(verdict, "silent");
    setText(verdict.querySelector("h1, h2"), words);
    const text = verdict.querySelector("p");
    if (text) { text.hidden = false; setText(text, "What you see below is from then. Check that the small computer has power and this device its network."); }
  }
}

/** A stream that the network dropped, or whose server hangs, reports no error: only the age of what came last tells. */
function watch() {
  const now = performance.now();
  if (!source || now - heard < LOST_MS) return;
  sayLost();
  if (now - tried > AGAIN_MS) connect();
}

function connect() {
  source?.close();
  tried = performance.now();
  const mine = source = new EventSource("/api/v1/live");
  mine.addEventListener("now", event => { if (mine === source) take(JSON.parse(event.data)); });
  mine.addEventListener("error", () => { if (mine === source && mine.readyState === EventSource.CLOSED) refused(); });
}

/** The stream was refused: log in where that is asked; where all places are taken, ask now and then instead. */
async function refused() {
  const answer = await fetch("/api/v1/now", { signal: AbortSignal.timeout(LOST_MS) }).catch(() => null);
  if (answer?.status === 401) location.assign(`/login?next=${encodeURIComponent(location.pathname)}`);
  const data = answer?.ok ? await answer.json().catch(() => null) : null;
  if (data) take(data);
  setTimeout(() => { if (source?.readyState === EventSource.CLOSED) connect(); }, 2000);
}

/** A page in the background needs no feed, and a phone's battery is glad. */
function attend() {
  if (document.hidden) { source?.close(); source = null; }
  else if (!source) { heard = Math.max(heard, performance.now() - LOST_MS / 2); connect(); }
}

if (document.body.dataset.page !== "login") {
  document.addEventListener("visibilitychange", attend);
  addEventListener("pagehide", () => { source?.close(); source = null; });
  addEventListener("pageshow", attend);
  painted.then(attend);
  setInterval(watch, 500);
  // Later: the first view of the page goes before.
  addEventListener("load", () => setTimeout(() => navigator.serviceWorker?.register("/worker.js").catch(() => {}), 3000));
}

// Acts --------------------------------------------------------------------------------------------------------------

/** Sends JSON; answers the parsed body, or throws an Error with the server's sentence. */
export async function send(url, body, method = "POST") {
  const answer = await fetch(url, {
    method, headers: { "content-type": "application/json", accept: "application/json" }, body: JSON.stringify(body ?? {}),
  });
  const data = await answer.json().catch(() => null);
  if (!answer.ok) throw new Error([data?.error?.detail ?? `The dashboard answered ${answer.status}.`, ...(data?.error?.where ?? [])].join(" "));
  return data;
}

/** The fields of a form as an object; empty ones are left out. */
export function fields(form) {
  return Object.fromEntries([...new FormData(form)].filter(([, value]) => value !== ""));
}

const told = document.getElementById("told");
let quiet = 0;

/** Says what became of an act, at one place on every page; what can be taken back has a button for it. */
function say(words, wrong, undo, form) {
  const line = document.createElement("p");
  line.className = "said toned"; line.dataset.tone = wrong ? "stop" : "ok"; line.textContent = words;
  const parts = [line];
  if (undo) {
    const button = document.createElement("button");
    button.textContent = "Undo";
    button.addEventListener("click", () => act(form, undo, {}));
    parts.push(button);
  }
  told.replaceChildren(...parts);
  clearTimeout(quiet);
  quiet = setTimeout(() => told.replaceChildren(), wrong || undo ? 20000 : 8000);
}

/** The list that an act changed is fetched anew, in place. */
async function freshen() {
  const list = document.getElementById("happened"), answer = list && await fetch(location.href).catch(() => null);
  if (answer?.ok) list.replaceChildren(...new DOMParser().parseFromString(await answer.text(), "text/html").getElementById("happened").childNodes);
}

async function act(form, action, body) {
  if (form.dataset.busy) return;
  form.dataset.busy = "yes";
  try {
    const answer = await send(`/api/v1${action}`, body);
    say(answer.words, false, answer.undo, form);
    if (form.dataset.clear !== undefined) form.reset();
    if (form.dataset.reload !== undefined) location.reload();
    if (form.dataset.fresh !== undefined) await freshen();
    form.dispatchEvent(new CustomEvent("done", { bubbles: true, detail: answer }));
  } catch (error) {
    say(error.message, true);
  } finally {
    delete form.dataset.busy;
  }
}

document.addEventListener("submit", event => {
  const form = event.target;
  if (form.dataset.act === undefined) return;
  event.preventDefault();
  const body = fields(form), button = event.submitter;
  if (button?.name) body[button.name] = button.value;
  act(form, form.getAttribute("action"), body);
});

document.addEventListener("click", event => { if (event.target.dataset?.print !== undefined) print(); });

// The tab ------------------------------------------------------------------------------------------------------------

const pageTitle = document.title;
onNow(({ verdict, alarm_count: count }) => {
  document.title = verdict.tone === "silent" ? `(?) ${verdict.title}` : count && verdict.more ? `(!) ${verdict.title}` : pageTitle;
});
