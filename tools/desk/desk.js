// The desk's page: the queue, keys, statements, dropped files. It talks to this machine only.
import * as heads from "./heads.js";
import {
  byId,
  make,
  showFigures,
  showIndication,
  showPast,
  showWhy,
  standing,
} from "./shown.js";
import * as stage from "./stage.js";

const told = JSON.parse(document.body.dataset.told);
let span = null;
let draft = null;
let lines = [];
let counts = { open: 0, done: 0, all: 0 };
let adding = false;
let moving = false;
let unsent = 0;
let lost = false;
let order = Promise.resolve();

// --- talking to the shelf ----------------------------------------------------------------------

async function ask(path, options = {}) {
  let answer;
  try {
    answer = await fetch(path, options);
  } catch {
    throw new Error(
      "The desk does not answer. All that was kept is safe; start mastread desk again and open " +
        "the address that it prints.",
    );
  }
  const found = await answer.json().catch(() => ({ trouble: `The desk answered ${answer.status}.` }));
  if (!answer.ok) throw new Error(found.trouble || `The desk answered ${answer.status}.`);
  return found;
}

const post = (path, body) =>
  ask(path, {
    method: "POST",
    headers: { "Content-Type": "application/json" },
    body: JSON.stringify({ ...body, who: byId("who").value.trim() }),
  });

function trouble(error) {
  byId("trouble").hidden = !error;
  byId("trouble").textContent = error ? error.message : "";
}

const say = (words) => {
  byId("said").textContent = words;
};

// One statement after the other, in the order in which they were made.
function inTurn(job) {
  order = order.then(job).catch(trouble);
  return order;
}

function sendDraft(step, content) {
  const id = span.id;
  unsent += 1;
  document.body.dataset.unsent = "yes";
  inTurn(async () => {
    try {
      const found = await post("draft", { span: id, act: step, content });
      trouble(null);
      lost = false;
      if (unsent === 1 && span.id === id) showDraft(found);
    } catch (error) {
      lost = true;
      throw error;
    } finally {
      unsent -= 1;
      if (!unsent) delete document.body.dataset.unsent;
    }
  });
}

// --- showing -------------------------------------------------------------------------------------

function showSpan(found) {
  const other = !span || span.id !== found.id;
  span = found;
  if (other) {
    heads.forget();
    adding = false;
    lost = false;
    scene().classList.remove("adding");
  }
  history.replaceState(null, "", `#${span.id}`);
  document.title = `${span.view.aspect}: ${span.file}`;
  byId("stage-title").textContent = span.view.aspect;
  const mast = `mast ${span.view.mast}`;
  const light = { day: "by day", night: "at night" }[span.view.light] || "light unknown";
  byId("where").textContent = [span.file, mast, span.times || "photo", light].join(", ");
  byId("standing").textContent = standing(span);
  byId("note").value = span.view.note;
  stage.openStage(span, showCurves);
  showRow();
  showPast(span);
  showDraft(span.draft);
  markLine();
}

function showCurves() {
  const area = byId("curves");
  if (span.curves.startsWith("<figure")) area.innerHTML = span.curves;
  else area.replaceChildren(make("p", { class: "soft" }, span.curves));
}

function showDraft(found) {
  draft = found;
  heads.showDraft(found.open ? found : { ...found, aspect: span.view.words });
  byId("enter").firstChild.textContent = found.open ? "Keep this change " : "It is so ";
  byId("leave").hidden = !found.open;
  byId("statement").classList.toggle("open", found.open);
  const now = found.open ? "Your change, not kept yet: Enter keeps it" : standing(span);
  byId("standing").textContent = now;
  const indication = (found.open && found.indication) || span.view.indication;
  showIndication(indication, (found.open && found.aspect) || span.view.aspect);
  showWhy(span, indication);
}

function showRow() {
  const items = span.row.map((one) => {
    const go = make("button", { type: "button", "aria-current": one.id === span.id }, one.aspect);
    go.append(make("small", {}, ` ${one.times}`));
    go.addEventListener("click", () => open(one.id));
    return make("li", {}, go);
  });
  byId("row").replaceChildren(...items);
}

const WHY = {
  withheld: "withheld",
  progression: "breaks a promise",
  neighbours: "unlike its neighbours",
};

function line(one) {
  const open = one.verdict === null;
  const why = WHY[one.why] || `odds ${(100 * one.sure).toFixed(1)} %`;
  const state = open ? why : `${one.verdict} by ${one.who}`;
  const go = make(
    "button",
    { type: "button", "data-span": one.id, class: open ? `open ${one.why}` : "done" },
    make("b", {}, one.status === "read" ? one.name : `? in doubt ${one.safest}`),
    make("span", {}, one.aspect),
    make("small", {}, `${state}; ${one.file}`),
  );
  go.addEventListener("click", () => openSpan(one.id));
  return make("li", {}, go);
}

const openSpan = (id) => open(id);

async function loadQueue(more = false) {
  const query = new URLSearchParams({
    show: byId("show").value,
    words: byId("find").value,
    offset: more ? lines.length : 0,
  });
  const found = await ask(`queue?${query}`);
  lines = more ? [...lines, ...found.lines] : found.lines;
  counts = found.counts;
  const items = found.lines.map(line);
  if (more) byId("lines").append(...items);
  else byId("lines").replaceChildren(...items);
  byId("more").hidden = lines.length >= counts[byId("show").value];
  showCounts();
  markLine();
}

function showCounts() {
  byId("left").textContent = `${counts.open} to look at, ${counts.done} looked at`;
}

function markLine() {
  for (const one of byId("lines").querySelectorAll("button")) {
    const now = span !== null && one.dataset.span === span.id;
    if (now) {
      one.setAttribute("aria-current", "true");
      showIn(byId("lines"), one);
    } else one.removeAttribute("aria-current");
  }
}

// Scrolls the list alone: on a telephone the page would leave the picture for it.
function showIn(list, item) {
  const [outer, inner] = [list.getBoundingClientRect(), item.getBoundingClientRect()];
  if (inner.top < outer.top) list.scrollTop -= outer.top - inner.top;
  else if (inner.bottom > outer.bottom) list.scrollTop += inner.bottom - outer.bottom;
}

function renewLine() {
  const at = lines.findIndex((one) => one.id === span.id);
  if (at < 0) return;
  const { view } = span;
  const indication = view.indication;
  lines[at] = {
    ...lines[at],
    aspect: view.aspect,
    name: indication.name,
    safest: indication.most_restrictive.name,
    status: indication.status,
    verdict: view.hidden ? "taken off" : view.verdict,
    who: view.hidden ? byId("who").value : view.who,
  };
  byId("lines").children[at].replaceWith(line(lines[at]));
}

async function open(id) {
  await order;
  const who = encodeURIComponent(byId("who").value.trim());
  try {
    showSpan(await ask(`span/${encodeURIComponent(id)}?who=${who}`));
    trouble(null);
  } catch (error) {
    trouble(error);
  }
}

async function move(by, undone = false) {
  let at = lines.findIndex((one) => span && one.id === span.id) + by;
  while (undone && lines[at] && lines[at].verdict !== null) at += by;
  if (at >= lines.length && !byId("more").hidden) await loadQueue(true);
  if (lines[at]) return open(lines[at].id);
  say(by > 0 ? "That was the last one of the queue." : "That was the first one.");
  return null;
}

// --- what people say --------------------------------------------------------------------------

function act(body, words, on = false) {
  // Whoever is quick must not state of one span what they meant of the next.
  if (moving) {
    say("One moment: your last statement is being kept.");
    return null;
  }
  moving = on;
  const id = span.id;
  return inTurn(async () => {
    const found = await post("act", { span: id, ...body });
    trouble(null);
    counts = found.counts;
    showCounts();
    const there = found.span.id === id;
    showSpan(found.span);
    renewLine();
    say(there ? words : `${words}; now at ${found.span.view.aspect}`);
  })
    .then(() => (on && byId("trouble").hidden ? move(1, true) : null))
    .catch(trouble)
    .finally(() => {
      moving = false;
    });
}

const DO = {
  play: stage.play,
  "step-back": () => stage.step(-1),
  "step-on": () => stage.step(1),
  beat: () => say(stage.toggleBeat()),
  near: stage.toggleNear,
  hush: () => {
    const on = document.body.classList.toggle("hush");
    byId("hush").setAttribute("aria-pressed", String(on));
    if (on) byId("clip").pause();
  },
  enter: async () => {
    const { id } = span;
    // Only when the last change has reached the shelf is it clear what "it is so" means.
    if (unsent) await order;
    if (span.id !== id) return;
    if (lost) {
      say("Your change has not reached the shelf: make it again, or press Esc.");
      return;
    }
    if (draft.open) act({ act: "keep" }, "Your correction is kept", true);
    else act({ act: "confirm" }, "Confirmed", true);
  },
  withhold: () => act({ act: "withhold" }, "Kept: it cannot be told", true),
  remove: () => act({ act: "remove" }, "Taken off: no signal mast", true),
  split: () => act({ act: "split", at: stage.moment() }, "Parted; this is the later part"),
  join: () => {
    const at = span.row.findIndex((one) => one.id === span.id);
    const other = span.row[at + 1];
    if (other) act({ act: "join", other: other.id }, "Joined with the next one");
    else say("There is no next span of this mast.");
  },
  begin: () => act({ act: "retime", start: stage.moment(), end: span.view.end_s }, "Begins here now"),
  end: () => act({ act: "retime", start: span.view.start_s, end: stage.moment() }, "Ends here now"),
  undo: async () => {
    if (unsent) await order;
    if (draft.can_undo) sendDraft("undo", null);
    else act({ act: "undo" }, "Undone");
  },
  redo: async () => {
    if (unsent) await order;
    if (draft.can_redo) sendDraft("redo", null);
    else act({ act: "redo" }, "Done again");
  },
  leave: () => {
    if (!draft.open && !lost) return;
    sendDraft("leave", null);
    say("Your change is dropped; Shift Z brings it back");
  },
  add: () => {
    const words = heads.add();
    if (words) say(words);
    adding = true;
    scene().classList.add("adding");
  },
  less: () => say(heads.less()),
  next: () => move(1),
  before: () => move(-1),
};

const scene = () => byId("scene");

const KEYS = {
  " ": ["play", "Space", "play or stop the clip"],
  ArrowLeft: ["step-back", "←", "one frame back"],
  ArrowRight: ["step-on", "→", "one frame on"],
  Enter: ["enter", "Enter", "it is so; or keep the change that you made"],
  x: ["withhold", "X", "it cannot be told"],
  q: ["remove", "Q", "there is no signal mast"],
  n: ["next", "N", "next in the queue"],
  p: ["before", "P", "the one before in the queue"],
  z: ["undo", "Z", "undo"],
  Z: ["redo", "Shift Z", "redo"],
  Escape: ["leave", "Esc", "drop the change that is not kept yet; leave a field"],
  a: ["add", "A", "add a lamp; then click where it is, or move it with Shift and arrows"],
  Delete: ["less", "Del", "take the chosen lamp away"],
  s: ["split", "S", "part the span here"],
  j: ["join", "J", "join with the next span of the mast"],
  "[": ["begin", "[", "the span begins here"],
  "]": ["end", "]", "the span ends here"],
  o: ["beat", "O", "one flash over and over"],
  v: ["near", "V", "near view of the mast"],
  m: ["hush", "M", "keep lamps still on this page"],
};

const MORE_KEYS = [
  ["1 2 3", "choose a head, from the top"],
  ["R Y G L W B", "the chosen head was red, yellow, green, lunar, white, blue"],
  ["D", "the chosen head was dark"],
  ["H", "nobody can tell the chosen head's colour"],
  ["F", "steady, flashing, nobody can tell"],
  ["Shift and arrows", "move the chosen lamp"],
  ["T", "say the aspect in words"],
  ["/", "find in the queue"],
  ["− +", "slower, faster"],
  ["?", "these keys"],
];

function typing(target) {
  return target.matches("input:not([type=checkbox]):not([type=file]), textarea");
}

function press(event) {
  if (document.querySelector("dialog[open]")) return;
  const { target } = event;
  const control = event.ctrlKey || event.metaKey;
  if (control && event.key.toLowerCase() === "z" && !typing(target)) {
    event.preventDefault();
    run(event.shiftKey ? "redo" : "undo");
    return;
  }
  if (control || event.altKey) return;
  if (typing(target)) {
    if (event.key === "Escape") target.blur();
    return;
  }
  if (!byId("keys-on").checked) return;
  // Enter and Space on a button or in a list press that button; arrows move in lists.
  const own = target.closest("button, select, summary, a, input");
  if (own && (event.key === "Enter" || event.key === " ") && target !== document.body) return;
  if (target.matches("select")) return;
  if (keyed(event)) event.preventDefault();
}

function keyed(event) {
  const { key } = event;
  if (key === "?") {
    byId("keys").showModal();
    return true;
  }
  if (key === "/") {
    byId("find").focus();
    return true;
  }
  if (key === "n" || key === "p") {
    run(KEYS[key][0]);
    return true;
  }
  if (!span) return false;
  if (key === "t") {
    byId("words").focus();
    byId("words").select();
    return true;
  }
  if (event.shiftKey && key.startsWith("Arrow")) {
    const [dx, dy] = { Left: [-1, 0], Right: [1, 0], Up: [0, -1], Down: [0, 1] }[key.slice(5)];
    heads.nudge(dx, dy);
    return true;
  }
  if (key === "-" || key === "+" || key === "=") {
    stage.changePace(key === "-" ? -1 : 1);
    return true;
  }
  if (/^[1-3]$/.test(key)) {
    heads.choose(Number(key) - 1);
    return true;
  }
  const entry = KEYS[key] || KEYS[key.toLowerCase()];
  if (entry) {
    run(key === "Backspace" ? "less" : entry[0]);
    return true;
  }
  return heads.key(key.toLowerCase());
}

function run(name) {
  const button = document.querySelector(`[data-do="${name}"]`);
  if (button && button.disabled) return;
  if (!span && name !== "next" && name !== "before") return;
  DO[name]();
}

// --- dropped files --------------------------------------------------------------------------------

function jobLine(job) {
  const known = byId("jobs").querySelector(`[data-job="${job.number}"]`);
  const item = known || make("li", { "data-job": job.number });
  item.className = job.state;
  item.replaceChildren(make("span", {}, job.words));
  if (job.state === "reading")
    item.append(make("progress", { max: 1, value: job.share, "aria-label": job.words }));
  if (!known) byId("jobs").prepend(item);
  if (job.state === "failed" || job.state === "done") say(job.words);
}

async function take(file) {
  const name = file.name || "footage";
  const number = `page-${Math.random().toString(36).slice(2)}`;
  if (file.size > told.most_bytes) {
    const words = `${name} is too large to be dropped; add it with mastread shelf add instead`;
    jobLine({ number, state: "failed", words });
    return;
  }
  jobLine({ number, state: "waiting", words: `${name} is being copied to the shelf` });
  try {
    await ask(`drop?name=${encodeURIComponent(name)}`, { method: "PUT", body: file });
    byId("jobs").querySelector(`[data-job="${number}"]`).remove();
  } catch (error) {
    jobLine({ number, state: "failed", words: error.message });
  }
}

async function takeAll(files) {
  for (const file of files) await take(file);
}

let due = null;

function listen() {
  const events = new EventSource("events");
  events.addEventListener("message", (message) => {
    const event = JSON.parse(message.data);
    if (event.kind === "job") jobLine(event);
    if (event.kind === "queue" && due === null)
      due = setTimeout(async () => {
        due = null;
        await loadQueue().catch(trouble);
        if (!span && lines.length) await open(lines[0].id);
      }, 150);
  });
}

// --- beginning --------------------------------------------------------------------------------------

function begin() {
  heads.startHeads({
    told,
    send: sendDraft,
    shown: (content, chosen) => {
      stage.setMarks(content.heads, chosen);
    },
  });
  document.addEventListener("keydown", press);
  for (const button of document.querySelectorAll("[data-do]"))
    button.addEventListener("click", () => run(button.dataset.do));
  const kept = sessionStorage.getItem("who");
  if (kept) byId("who").value = kept;
  byId("who").addEventListener("change", () => {
    sessionStorage.setItem("who", byId("who").value);
    if (span) open(span.id);
  });
  byId("who").addEventListener("keydown", (event) => {
    if (event.key === "Enter") event.target.blur();
  });
  byId("words").addEventListener("keydown", (event) => {
    if (event.key !== "Enter" || !span) return;
    event.preventDefault();
    byId("words").blur();
    if (draft.open || unsent) order.then(() => (draft.trouble ? byId("words").focus() : run("enter")));
  });
  byId("note").addEventListener("change", () => act({ act: "note", note: byId("note").value }, "Noted"));
  byId("show").addEventListener("change", () => loadQueue().catch(trouble));
  let wait = null;
  byId("find").addEventListener("input", () => {
    clearTimeout(wait);
    wait = setTimeout(() => loadQueue().catch(trouble), 200);
  });
  byId("more").addEventListener("click", () => loadQueue(true).catch(trouble));
  byId("open-keys").addEventListener("click", () => byId("keys").showModal());
  byId("open-figures").addEventListener("click", async () => {
    try {
      showFigures(await ask("figures"));
      byId("figures").showModal();
    } catch (error) {
      trouble(error);
    }
  });
  const list = Object.values(KEYS).map(([, key, words]) => [key, words]);
  for (const [key, words] of [...list, ...MORE_KEYS])
    byId("key-list").append(make("dt", {}, make("kbd", {}, key)), make("dd", {}, words));
  scene().addEventListener("click", (event) => {
    if (!span) return;
    const place = stage.placeOf(event);
    if (adding) {
      adding = false;
      scene().classList.remove("adding");
      heads.put(place);
      return;
    }
    const words = heads.click(place);
    if (words) say(words);
  });
  for (const name of ["dragover", "drop"])
    document.addEventListener(name, (event) => event.preventDefault());
  document.addEventListener("dragenter", () => document.body.classList.add("over"));
  document.addEventListener("dragleave", (event) => {
    if (!event.relatedTarget) document.body.classList.remove("over");
  });
  document.addEventListener("drop", (event) => {
    document.body.classList.remove("over");
    takeAll([...event.dataTransfer.files]);
  });
  byId("pick").addEventListener("change", () => takeAll([...byId("pick").files]));
  addEventListener("beforeunload", (event) => {
    if (unsent) event.preventDefault();
  });
}

async function first() {
  begin();
  const id = location.hash.slice(1);
  try {
    await loadQueue();
    if (id) await open(id);
    if (!span && lines.length) await open(lines[0].id);
    if (!lines.length && !span) say("Nothing waits to be looked at. Drop a photo or a clip here.");
  } catch (error) {
    trouble(error);
  }
  document.body.dataset.ready = "yes";
  listen();
}

await first();
