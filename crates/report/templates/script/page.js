// The page: the list of shots, the tools, and the columns of views.

function choice(key, options) {
  const buttons = options.map(([value, text]) => element("button", { type: "button", onclick: () => set({ [key]: value }) }, text));
  const draw = () => buttons.forEach((button, rank) => button.setAttribute("aria-pressed", state[key] === options[rank][0]));
  viewers.push({ on: [key], draw });
  draw();
  return element("span", { class: "choice screen-only", role: "group" }, ...buttons);
}

const look = document.getElementById("look");
const store = document.getElementById("strips");
const rows = [...document.querySelectorAll(".row")];
const figures = [...document.querySelectorAll(".figures")];

// The best first moment to look at: the first fault, else anchor, else the zero.
function firstMoment(shot) {
  const { faults, events } = data.shots[shot];
  const at = faults.length ? (faults[0][1] + faults[0][2]) / 2 : events.anchor ?? 0;
  return at - eventOf(shot);
}

// What is shown first: of a fault after anchor the curves from there on; the view's lens enlarges it.
function firstLook(shot) {
  const { faults, events } = data.shots[shot];
  const late = faults.length > 0 && events.anchor !== null && faults[0][1] >= events.anchor - 0.1;
  return { span: late ? "last" : "draw", zoom: "path" };
}

function build() {
  store.append(...document.querySelectorAll("#look .strip"));
  viewers.length = 0;
  viewers.push({ on: ["shot", "other", "layout"], draw: build });
  rows.forEach((row, rank) => row.setAttribute("aria-pressed", rank === state.shot));
  figures.forEach((one) => { one.hidden = !shots().includes(Number(one.dataset.shot)); });
  const shot = data.shots[state.shot];
  const spread = columns();
  const grid = element("div", { class: spread.length > 1 ? "columns two" : "columns" });
  for (const indices of spread) {
    const pictures = picturesPane(indices);
    const column = element("div", { class: pictures ? "column" : "column no-pictures" });
    if (spread.length > 1) column.append(title("p", "column-title", indices[0]));
    if (pictures) column.append(pictures);
    column.append(viewPane(indices), curvesPane(indices));
    grid.append(column);
  }
  look.replaceChildren(
    element("div", { class: "look-head" }, title("h2", "", state.shot, "look-title"), steps()),
    tools(), ...clipLinks(), grid, scrub(),
    element("p", { class: "hint keys screen-only" }, words.keys));
  look.hidden = false;
}

function title(tag, kind, index, id = null) {
  const shot = data.shots[index];
  return element(tag, { class: kind + (isFault(shot.mark) ? " is-fault" : ""), id },
    mark(shot.mark), element("span", {}, `${fill(words.shot_n, { n: shot.number })}: ${shot.sentence}`));
}

function steps() {
  const step = (by, text) => element("button", { type: "button", onclick: () => show(state.shot + by), disabled: !data.shots[state.shot + by] }, text);
  return element("span", { class: "choice screen-only" }, step(-1, "← " + words.previous), step(1, words.next + " →"));
}

function tools() {
  const others = element("select", { onchange: (event) => set({ other: Number(event.target.value) }) }, element("option", { value: "-1" }, words.nobody));
  data.shots.forEach((shot, rank) => {
    if (rank !== state.shot) others.append(element("option", { value: rank }, `${fill(words.shot_n, { n: shot.number })}: ${data.marks[shot.mark]}`));
  });
  others.value = String(state.other);
  const node = element("div", { class: "tools" }, element("label", {}, words.compare, others));
  if (state.other >= 0) node.append(choice("layout", [["over", words.over], ["beside", words.beside]]));
  const known = ["release", "anchor", "set_up"].filter((key) => shots().every((shot) => data.shots[shot].events[key] !== null));
  const align = element("select", { onchange: (event) => realign(event.target.value) }, ...known.map((key) => element("option", { value: key }, words[key])));
  align.value = state.align;
  node.append(element("label", {}, words.align, align));
  if (data.shots[state.shot].faults.length) {
    node.append(element("button", { type: "button", class: "plain-button", onclick: () => set({ time: firstMoment(state.shot) }) }, words.fault_here));
  }
  return node;
}

// Clips that lie beside the page. Nothing is asked for until somebody follows a link.
const clips = JSON.parse(document.getElementById("clips").textContent);

function clipLinks() {
  const number = data.shots[state.shot].number;
  const here = clips.filter((clip) => clip.shots.includes(number));
  if (!here.length) return [];
  const links = here.map((clip) => {
    const other = clip.shots.find((one) => one !== number);
    const text = other === undefined ? [] : [" ", fill(words.clip_beside, { n: other })];
    return element("a", { href: clip.file.split("/").map(encodeURIComponent).join("/") }, element("bdi", {}, clip.camera), ...text);
  });
  return [element("p", { class: "clip-links screen-only" }, element("span", {}, words.clips), ...links)];
}

// Another event as zero: the moment in view stays the same.
function realign(align) {
  const own = ownTime(state.shot);
  set({ align, time: own - (data.shots[state.shot].events[align] ?? 0) });
}

function show(shot) {
  if (!data.shots[shot]) return;
  const fitting = data.shots[shot].events[state.align] !== null;
  const align = fitting ? state.align : ["release", "anchor", "set_up", "end"].find((key) => data.shots[shot].events[key] !== null) ?? "end";
  set({ shot, other: state.other === shot ? -1 : state.other, align, playing: false });
  set({ time: firstMoment(shot), ...firstLook(shot) });
}

rows.forEach((row) => {
  row.addEventListener("click", () => {
    show(Number(row.dataset.shot));
    look.scrollIntoView({ behavior: matchMedia("(prefers-reduced-motion: reduce)").matches ? "auto" : "smooth", block: "start" });
  });
  row.addEventListener("keydown", (event) => {
    const step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
    if (!step) return;
    event.preventDefault();
    rows[Number(row.dataset.shot) + step]?.focus();
  });
});

document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.altKey || event.metaKey || event.target.closest("select, textarea")) return;
  const step = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
  const [start, stop] = wholeSpan();
  if (step) set({ time: clamp(state.time + step * (event.shiftKey ? 0.1 : 0.01), start, stop), playing: false });
  else if (event.key === " " && !event.target.closest("button")) set({ playing: !state.playing });
  else if (event.key === "[") show(state.shot - 1);
  else if (event.key === "]") show(state.shot + 1);
  else return;
  event.preventDefault();
});

if (data.shots.length) {
  // The shot that needs looking at comes first.
  const worst = data.shots.findIndex((shot) => isFault(shot.mark));
  state.shot = Math.max(0, worst);
  if (data.shots[state.shot].events.release === null) state.align = data.shots[state.shot].events.anchor === null ? "end" : "anchor";
  state.hours = data.shots[state.shot].side < 0 ? 9 : 3;
  state.time = firstMoment(state.shot);
  Object.assign(state, firstLook(state.shot));
  build();
}
// For scripts that look at the page, such as its tests.
window.drawarcPage = { state, set, show, draw: redraw };
})();
