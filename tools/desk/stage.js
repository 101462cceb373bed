// The clip: playing, stepping, pace, one flash over and over, the near view, marks over the lamps.
import { byId, makeSvg } from "./shown.js";

// WCAG 2.3.1: nothing flashes more than three times a second.
const MOST_FLASHES = 3;
// A near view shows the mast with this much round it, in heights of its box.
const ROUND = 0.3;
const NEAREST = 12;

const clip = byId("clip");
const still = byId("still");
const scene = byId("scene");
const marks = byId("marks");
const calm = matchMedia("(prefers-reduced-motion: reduce)");

let span = null;
let heads = [];
let chosen = 0;
let near = false;
let close = 1;
let beat = null;
let pace = 1;

export const isFilm = () => !clip.hidden;
// Where the clip stands, in the time of the footage.
export const moment = () => (isFilm() ? (span.view.clip_start_s || 0) + clip.currentTime : null);

export function openStage(told, onto) {
  const same = span !== null && span.id === told.id;
  span = told;
  if (!same) {
    beat = null;
    near = false;
    clip.pause();
  }
  const film = told.clip;
  marks.setAttribute("viewBox", `0 0 ${told.width} ${told.height}`);
  scene.style.aspectRatio = `${told.width} / ${told.height}`;
  if (!same) {
    byId("lost").hidden = true;
    still.src = `span/${told.id}/poster`;
    still.alt = `${told.file}: ${told.view.aspect}`;
    still.hidden = film;
    clip.hidden = !film;
    if (film) {
      clip.src = `span/${told.id}/clip`;
      clip.poster = still.src;
      const start = Math.max(0, (told.view.start_s || 0) - (told.view.clip_start_s || 0));
      clip.addEventListener("loadedmetadata", () => (clip.currentTime = start), { once: true });
    } else {
      clip.removeAttribute("src");
      clip.load();
    }
  }
  for (const name of ["play", "step-back", "step-on", "beat", "split", "join", "begin", "end"])
    document.querySelector(`[data-do="${name}"]`).disabled = !film;
  byId("pace").disabled = !film;
  // Curves are drawn by the report's own code, which escapes.
  if (onto) onto();
  fit();
  show();
}

export function setMarks(list, which) {
  heads = list;
  chosen = which;
  draw();
}

export function setPace(value) {
  pace = value;
  byId("pace").value = String(value);
  hold();
}

// No faster than three flashes a second, whatever the lamp did.
function hold() {
  const rates = (span ? span.view.heads : []).map((head) => head.rate_hz || 0);
  const fastest = Math.max(0, ...rates);
  clip.playbackRate = Math.max(0.0625, Math.min(pace, fastest ? MOST_FLASHES / fastest : 1));
}

export function play() {
  if (!isFilm()) return;
  if (clip.paused) {
    hold();
    if (clip.ended) clip.currentTime = 0;
    clip.play().catch(() => {});
  } else clip.pause();
}

export function changePace(by) {
  const paces = [...byId("pace").options].map((one) => Number(one.value));
  const at = paces.indexOf(pace) + by;
  if (at >= 0 && at < paces.length) setPace(paces[at]);
}

export function step(by) {
  if (!isFilm()) return;
  clip.pause();
  const times = span.frames;
  if (times.length < 2) {
    clip.currentTime = Math.max(0, clip.currentTime + by / 25);
    return;
  }
  let at = times.findIndex((time) => time > clip.currentTime + 1e-3) - 1;
  if (at < -1) at = times.length - 1;
  at = Math.min(times.length - 1, Math.max(0, at + by));
  // A little after its time a frame is surely shown.
  const length = at + 1 < times.length ? times[at + 1] - times[at] : 0.02;
  clip.currentTime = times[at] + Math.min(0.005, length / 4);
}

export function seek(time) {
  if (isFilm()) clip.currentTime = Math.max(0, time);
}

export function seekFootage(time) {
  seek(time - (span.view.clip_start_s || 0));
}

export function toggleBeat() {
  if (!isFilm()) return "A photo does not flash.";
  if (beat) beat = null;
  else {
    const rates = span.view.heads.map((head) => head.rate_hz).filter((rate) => rate);
    if (!rates.length) return "No flash was measured in this span.";
    // Of several heads the slowest: its flash holds those of the others.
    const length = 1 / Math.min(...rates);
    const start = Math.max(0, Math.min(clip.currentTime, (clip.duration || 0) - length));
    beat = { start, end: start + length };
    if (clip.paused && !calm.matches) play();
  }
  byId("beat").setAttribute("aria-pressed", String(beat !== null));
  return beat ? "One flash, over and over" : "The whole clip again";
}

export function toggleNear() {
  near = !near;
  byId("near").setAttribute("aria-pressed", String(near));
  fit();
}

function box() {
  const [x0, y0, x1, y1] = span.view.box;
  const round = ROUND * Math.max(x1 - x0, y1 - y0, 24);
  return [x0 - round, y0 - round, x1 + round, y1 + round];
}

function fit() {
  if (!span) return;
  byId("near").setAttribute("aria-pressed", String(near));
  byId("beat").setAttribute("aria-pressed", String(beat !== null));
  if (!near) {
    scene.style.transform = "none";
    close = 1;
    marks.style.setProperty("--near", "1");
    draw();
    return;
  }
  const [x0, y0, x1, y1] = box();
  const { width, height } = span;
  const scale = Math.min(NEAREST, width / (x1 - x0), height / (y1 - y0));
  // Rings stay as thin on the screen as they were.
  close = scale;
  marks.style.setProperty("--near", String(scale));
  const [dx, dy] = shift();
  const [x, y] = [(x0 + x1) / 2 - span.view.shift[0] + dx, (y0 + y1) / 2 - span.view.shift[1] + dy];
  const held = (at, size) => Math.min(0, Math.max(1 - scale, 0.5 - (at / size) * scale));
  scene.style.transform =
    `translate(${100 * held(x, width)}%, ${100 * held(y, height)}%) scale(${scale})`;
}

// How far the mast stands from the places of its heads now.
function shift() {
  if (!isFilm()) return [0, 0];
  const path = span.path;
  if (!path.length) return clip.readyState ? [0, 0] : span.view.shift;
  const time = clip.currentTime;
  let low = 0;
  let high = path.length - 1;
  while (high - low > 1) {
    const middle = (low + high) >> 1;
    if (path[middle][0] <= time) low = middle;
    else high = middle;
  }
  const [t0, x0, y0] = path[low];
  const [t1, x1, y1] = path[high];
  const share = t1 > t0 ? Math.min(1, Math.max(0, (time - t0) / (t1 - t0))) : 0;
  return [x0 + share * (x1 - x0), y0 + share * (y1 - y0)];
}

function draw() {
  if (!span) return;
  const [dx, dy] = shift();
  const rings = heads.map((head, n) => {
    const reach = Math.max(head.radius * 2.4, span.width / 160 / close);
    const [x, y] = [head.x + dx, head.y + dy];
    const now = n === chosen;
    const ring = makeSvg("circle", { cx: x, cy: y, r: reach, class: now ? "ring now" : "ring" });
    const under = makeSvg("circle", { cx: x, cy: y, r: reach, class: "under" });
    const size = Math.max(10, span.width / 55) / close;
    const label = makeSvg("text", { x: x + reach * 1.25, y: y + size * 0.35, "font-size": size });
    label.textContent = String(n + 1);
    return makeSvg("g", {}, under, ring, label);
  });
  marks.replaceChildren(...rings);
}

// Where on the picture somebody clicked, in its own pixels, without the motion of the mast.
export function placeOf(event) {
  const area = marks.getBoundingClientRect();
  const x = ((event.clientX - area.left) / area.width) * span.width;
  const y = ((event.clientY - area.top) / area.height) * span.height;
  const [dx, dy] = shift();
  const reach = (Math.max(12, 14) / area.width) * span.width;
  return { x: x - dx, y: y - dy, reach };
}

function show() {
  if (!span) return;
  if (near) fit();
  draw();
  if (!isFilm()) {
    byId("moment").textContent = "";
    return;
  }
  const length = (span.view.clip_end_s || 0) - (span.view.clip_start_s || 0) || clip.duration || 1;
  const share = Math.min(1, clip.currentTime / length);
  for (const head of byId("curves").querySelectorAll(".playhead"))
    head.style.left = `${100 * share}%`;
  byId("moment").textContent = `${moment().toFixed(2)} s`;
}

function tick() {
  if (beat && (clip.currentTime >= beat.end || clip.currentTime < beat.start - 0.05))
    clip.currentTime = beat.start;
  show();
  if (!clip.paused) requestAnimationFrame(tick);
}

for (const name of ["loadedmetadata", "seeked", "timeupdate", "pause"])
  clip.addEventListener(name, show);
clip.addEventListener("play", tick);
for (const name of ["play", "pause", "ended"])
  clip.addEventListener(name, () => {
    byId("play").firstChild.textContent = clip.paused ? "Play " : "Stop ";
  });
clip.addEventListener("error", () => {
  if (!clip.getAttribute("src")) return;
  byId("lost").hidden = false;
  still.hidden = false;
  clip.hidden = true;
  show();
});
clip.addEventListener("loadedmetadata", hold);

// A seek that never ends is a player that waits for bytes which it has lost: it begins anew.
const LONGEST_SEEK_MS = 4000;
let stuck = null;
clip.addEventListener("seeking", () => {
  clearTimeout(stuck);
  stuck = setTimeout(() => {
    if (!clip.seeking || !isFilm()) return;
    const [time, going] = [clip.currentTime, !clip.paused];
    clip.addEventListener(
      "loadedmetadata",
      () => {
        clip.currentTime = time;
        if (going) clip.play().catch(() => {});
      },
      { once: true },
    );
    clip.load();
  }, LONGEST_SEEK_MS);
});
clip.addEventListener("seeked", () => clearTimeout(stuck));
byId("pace").addEventListener("change", () => setPace(Number(byId("pace").value)));
byId("curves").addEventListener("click", (event) => {
  const track = event.target.closest(".track");
  if (!track || !isFilm()) return;
  const area = track.getBoundingClientRect();
  const length = (span.view.clip_end_s || 0) - (span.view.clip_start_s || 0);
  seek(((event.clientX - area.left) / area.width) * length);
});
