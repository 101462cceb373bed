// Making elements, and showing what is told of a span. All text goes in as text, never as markup.

export const byId = (id) => document.getElementById(id);

export function make(name, attributes = {}, ...children) {
  const element = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (value === null || value === undefined) continue;
    // States told to screen readers are words; other attributes are there or not.
    if (key.startsWith("aria-")) element.setAttribute(key, String(value));
    else if (value !== false) element.setAttribute(key, value === true ? "" : String(value));
  }
  element.append(...children.filter((child) => child !== null && child !== undefined));
  return element;
}

const SVG = "http://www.w3.org/2000/svg";

export function makeSvg(name, attributes = {}, ...children) {
  const element = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, String(value));
  element.append(...children);
  return element;
}

// The mark of a colour: a shape as well as an ink, so that nothing rests on colour alone.
export function mark(colour, behaviour) {
  const known = document.getElementById(`mark-${colour}`) ? colour : "unknown";
  const flashing = behaviour === "flashing";
  const use = makeSvg("use", { href: `#mark-${known}` });
  const svg = makeSvg(
    "svg",
    { class: `mark ink-${known}${flashing ? " beats" : ""}`, viewBox: "0 0 24 24" },
    use,
  );
  svg.setAttribute("aria-hidden", "true");
  if (flashing) {
    use.setAttribute("transform", "translate(4 4) scale(.667)");
    svg.append(makeSvg("use", { href: "#mark-rays" }));
  }
  return svg;
}

export function headWords(head) {
  if (head.behaviour === "dark" || head.colour === "none") return "dark";
  if (head.colour === "unknown" && head.behaviour === "unknown") return "unknown";
  if (head.behaviour === "unknown") return `steady or flashing ${head.colour}`;
  return `${head.behaviour} ${head.colour}`;
}

export function percent(odds) {
  if (odds >= 0.9995) return "over 99.9 %";
  if (odds < 0.0005) return "under 0.1 %";
  return `${(100 * odds).toFixed(1)} %`;
}

export function nameOf(indication) {
  if (indication.status === "read")
    return indication.rule ? `${indication.name} (rule ${indication.rule})` : indication.name;
  const word = indication.status === "ambiguous" ? "Not sure which" : "Cannot be told";
  return `${word}; in doubt ${indication.most_restrictive.name}`;
}

const STANDING = {
  confirmed: "Confirmed",
  corrected: "Corrected",
  withheld: "Said to be untellable",
};

export function standing(span) {
  const view = span.view;
  if (view.hidden) return "Taken off the shelf's spans (undo brings it back)";
  if (view.verdict) return `${STANDING[view.verdict]} by ${view.who}, ${when(view.at)}`;
  return "Read by the machine; nobody has looked yet";
}

const when = (at) => (at ? at.replace("T", " ").replace("Z", " UTC") : "");

export function showIndication(indication, aspect) {
  byId("means").textContent = nameOf(indication);
  byId("means").className = indication.status;
  byId("meaning").textContent = indication.meaning || `Showed ${aspect}.`;
  const odds = indication.possible.map((one) =>
    make(
      "tr",
      {},
      make("th", { scope: "row" }, one.rule ? `${one.name} (rule ${one.rule})` : one.name),
      make("td", {}, make("meter", { min: 0, max: 1, value: one.odds, "aria-label": one.name })),
      make("td", { class: "number" }, percent(one.odds)),
    ),
  );
  const none = make("p", { class: "soft" }, "Nothing in the rulebook fits.");
  byId("possible").replaceChildren(
    odds.length ? make("table", {}, make("tbody", {}, ...odds)) : none,
  );
}

export function showWhy(span, indication) {
  const found = span.findings.map((words) => make("li", { class: "odd" }, words));
  byId("why").replaceChildren(...found, ...indication.reasons.map((r) => make("li", {}, r)));
}

const DID = {
  confirm: "confirmed it",
  correct: "corrected it",
  withhold: "said that it cannot be told",
  remove: "said that it is no signal mast",
  split: "parted it",
  join: "joined it",
  retime: "moved its ends",
  note: "wrote a note",
  undo: "undid",
  redo: "redid",
};

export function showPast(span) {
  const lines = span.history.map((one) =>
    make(
      "li",
      {},
      `${one.who} ${DID[one.act] || one.act}, ${when(one.at)}`,
      one.in_force ? null : make("small", {}, " (undone)"),
    ),
  );
  byId("past").replaceChildren(...(lines.length ? lines : [make("li", {}, "Nothing yet.")]));
  const machine = span.machine;
  byId("machine").replaceChildren(
    make("p", {}, make("b", {}, nameOf(machine.indication))),
    make("p", {}, machine.aspect),
    make("ul", {}, ...machine.indication.reasons.map((r) => make("li", {}, r))),
    make("p", { class: "soft" }, `By ${span.book}`),
  );
}

export function showFigures(rows) {
  const titles = ["", "", "named, looked at", "overruled", "wrong side", "withheld", "told after all"];
  const body = rows.map((row) =>
    make(
      "tr",
      {},
      make("th", { scope: "row" }, row.condition),
      make("td", {}, row.value),
      ...[row.seen, row.overruled, row.wrong_side, row.withheld, row.told].map((n) =>
        make("td", { class: "number" }, String(n)),
      ),
    ),
  );
  const head = make("tr", {}, ...titles.map((t) => make(t ? "th" : "td", t ? { scope: "col" } : {}, t)));
  byId("figures-table").replaceChildren(
    rows.length
      ? make("table", {}, make("thead", {}, head), make("tbody", {}, ...body))
      : make("p", {}, "Nobody has confirmed or corrected anything yet."),
  );
}
