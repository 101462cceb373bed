// Stating what the heads showed. Every act goes to the shelf at once, as a draft that is kept.
import { byId, headWords, make, mark } from "./shown.js";

const COLOUR_KEYS = {
  r: "red",
  y: "yellow",
  g: "green",
  l: "lunar",
  w: "white",
  b: "blue",
  h: "unknown",
};
const NEXT = { steady: "flashing", flashing: "unknown", unknown: "steady", dark: "steady" };
const STEP = 2;

let told = null;
let content = null;
let chosen = 0;
let send = null;
let shown = null;

export function startHeads(options) {
  told = options.told;
  send = options.send;
  shown = options.shown;
  const boxes = told.plates.map((plate) => plateBox(plate, plate === "number" ? "number" : plate));
  const open = make("input", { type: "checkbox", id: "plates-open" });
  const dwarf = make("input", { type: "checkbox", id: "dwarf" });
  byId("plates").append(
    ...boxes,
    make("label", {}, open, " nobody can tell"),
    make("label", {}, dwarf, " dwarf"),
  );
  byId("plates").addEventListener("change", () => {
    const names = [...byId("plates").querySelectorAll("[data-plate]:checked")];
    const plates = open.checked ? null : names.map((box) => box.dataset.plate);
    set({ ...content, plates, dwarf: dwarf.checked, words: null });
  });
  byId("words").addEventListener("input", () => {
    const words = byId("words").value;
    content = { ...content, words };
    send("type", content);
  });
}

function plateBox(plate, words) {
  return make(
    "label",
    {},
    make("input", { type: "checkbox", "data-plate": plate }),
    ` ${words}`,
  );
}

// A draft, or the view where there is none, has come from the shelf.
export function showDraft(draft) {
  content = structuredClone(draft.content);
  if (draft.open && content.words !== null && draft.heads) adopt(draft.heads);
  chosen = Math.min(chosen, Math.max(0, content.heads.length - 1));
  render();
  const words = byId("words");
  if (content.words === null) words.value = draft.aspect || "";
  else if (document.activeElement !== words) words.value = content.words;
  const plates = content.plates;
  for (const box of byId("plates").querySelectorAll("[data-plate]"))
    box.checked = plates !== null && plates.includes(box.dataset.plate);
  byId("plates-open").checked = plates === null;
  byId("dwarf").checked = content.dwarf;
  const trouble = byId("words-trouble");
  trouble.hidden = !draft.trouble;
  trouble.textContent = draft.trouble || "";
  words.setAttribute("aria-invalid", String(Boolean(draft.trouble)));
}

// Heads that were said in words take the places that are known.
function adopt(heads) {
  const places = content.heads;
  content.heads = heads.map((head, n) => ({ ...(places[n] || below(places)), ...head }));
}

function below(places) {
  const last = places.at(-1) || { x: 0, y: 0, radius: 1 };
  const before = places.at(-2);
  const step = before ? last.y - before.y : 12 * last.radius;
  return { x: last.x, y: last.y + step, radius: last.radius };
}

export function forget() {
  chosen = 0;
}

export const count = () => (content ? content.heads.length : 0);

export function choose(n) {
  if (n < 0 || n >= count()) return;
  chosen = n;
  render();
}

function set(next) {
  content = next;
  render();
  send("set", content);
}

function change(n, values) {
  const heads = content.heads.map((head, k) => (k === n ? { ...head, ...values } : head));
  set({ ...content, heads, words: null });
}

export function colour(name) {
  const head = content.heads[chosen];
  if (!head) return;
  // A lamp that was dark, or of which nothing was known, is steady until somebody says otherwise.
  const open = head.behaviour === "dark" || head.colour === "unknown";
  change(chosen, { colour: name, behaviour: open ? "steady" : head.behaviour });
}

export function dark() {
  change(chosen, { colour: "none", behaviour: "dark" });
}

export function flash() {
  const head = content.heads[chosen];
  if (!head || head.behaviour === "dark") return;
  change(chosen, { behaviour: NEXT[head.behaviour] });
}

export function add(place = null) {
  if (count() >= told.most_heads) return `A mast has at most ${told.most_heads} heads.`;
  const radius = content.heads.length ? content.heads[0].radius : 6;
  const head = { ...(place ? { ...place, radius } : below(content.heads)) };
  const made = { colour: "unknown", behaviour: "unknown", x: head.x, y: head.y, radius };
  const heads = [...content.heads, made].sort((one, other) => one.y - other.y);
  chosen = heads.indexOf(made);
  set({ ...content, heads, words: null });
  return `Lamp ${chosen + 1} added; say its colour`;
}

// The chosen lamp stands where somebody clicked.
export function put(place) {
  change(chosen, { x: place.x, y: place.y });
}

export function less() {
  if (count() < 2) return "The last lamp stays; press Q if there is no signal mast.";
  const gone = chosen;
  const heads = content.heads.filter((_, k) => k !== gone);
  chosen = Math.min(chosen, heads.length - 1);
  set({ ...content, heads, words: null });
  return `Lamp ${gone + 1} taken away`;
}

export function nudge(dx, dy) {
  const head = content.heads[chosen];
  if (head) change(chosen, { x: head.x + STEP * dx, y: head.y + STEP * dy });
}

// Somebody clicked on the picture: on a lamp, or where one was missed.
export function click(place) {
  const near = content.heads
    .map((head, n) => ({ n, far: Math.hypot(head.x - place.x, head.y - place.y) - head.radius }))
    .filter((one) => one.far <= place.reach)
    .sort((one, other) => one.far - other.far)[0];
  if (near) {
    choose(near.n);
    byId("heads").querySelector(`[data-head="${near.n}"] button`).focus();
    return `Lamp ${near.n + 1}: ${headWords(content.heads[near.n])}`;
  }
  return null;
}

export function key(letter) {
  if (!content) return false;
  if (letter in COLOUR_KEYS) colour(COLOUR_KEYS[letter]);
  else if (letter === "d") dark();
  else if (letter === "f") flash();
  else return false;
  return true;
}

function render() {
  const rows = content.heads.map((head, n) => {
    const pick = make(
      "button",
      { type: "button", "aria-pressed": n === chosen, class: "chip" },
      make("span", { class: "nth" }, String(n + 1)),
      mark(head.colour, head.behaviour),
      headWords(head),
    );
    pick.addEventListener("click", () => choose(n));
    const item = make("div", { class: n === chosen ? "head now" : "head", "data-head": n }, pick);
    if (n === chosen) item.append(...choices(head, n));
    return item;
  });
  const focus = document.activeElement;
  const inside = byId("heads").contains(focus);
  const again = inside ? focus.dataset.set || "" : null;
  byId("heads").replaceChildren(...rows);
  if (again !== null) {
    const now = byId("heads").querySelector(".now");
    (now.querySelector(`[data-set="${again}"]`) || now.querySelector("button")).focus();
  }
  shown(content, chosen);
}

function choices(head, n) {
  const colours = [...told.colours, "unknown", "none"].map((name) => {
    const words = name === "none" ? "dark" : name;
    const on = name === head.colour || (name === "none" && head.behaviour === "dark");
    const one = make(
      "button",
      { type: "button", "data-set": name, "aria-pressed": on },
      mark(name, "steady"),
      words,
    );
    one.addEventListener("click", () => (name === "none" ? dark() : colour(name)));
    return one;
  });
  const ways = ["steady", "flashing", "unknown"].map((name) => {
    const words = name === "unknown" ? "nobody can tell" : name;
    const one = make(
      "button",
      { type: "button", "data-set": `way-${name}`, "aria-pressed": head.behaviour === name },
      words,
    );
    one.disabled = head.behaviour === "dark";
    one.addEventListener("click", () => change(n, { behaviour: name }));
    return one;
  });
  const group = (label, parts) =>
    make("div", { class: "choices", role: "group", "aria-label": label }, ...parts);
  return [group(`Colour of lamp ${n + 1}`, colours), group(`Lamp ${n + 1} was`, ways)];
}
