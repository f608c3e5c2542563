// The clock face: where the imagined camera stands. The target is at 12, the archer in the middle.

const clockWords = (hours) => {
  const minutes = Math.round(hours * 60 / 5) * 5 % 720, hour = Math.floor(minutes / 60) || 12;
  return hour + ":" + String(minutes % 60).padStart(2, "0");
};

function placeWords() {
  if (state.lift > 88) return words.overhead;
  const place = fill(words.oclock, { clock: clockWords(state.hours) });
  return state.lift < 2 ? place : `${place}, ${fill(words.raised, { deg: Math.round(state.lift) })}`;
}

function dial() {
  const node = svg("svg", {
    class: "dial", viewBox: "-100 -100 200 200", tabindex: "0", role: "slider",
    "aria-label": words.dial, "aria-valuemin": "0", "aria-valuemax": "12",
  });
  const at = (hours, radius) => [radius * Math.sin(hours * Math.PI / 6), -radius * Math.cos(hours * Math.PI / 6)];
  const needle = svg("path", { class: "needle" }), eye = svg("circle", { class: "eye", r: 9 });
  face();
  move();

  function face() {
    node.append(svg("circle", { class: "face", r: 97 }));
    const shot = data.shots[state.shot];
    for (const [hours, giving] of shot.angles) {
      if (hours === null) continue;
      const share = giving ?? 0, from = at(hours - 0.22, 88), to = at(hours + 0.22, 88);
      node.append(svg("path", { class: "share", "stroke-opacity": (0.08 + 0.72 * share).toFixed(2), d: `M${from.join(" ")}A88 88 0 0 1 ${to.join(" ")}` }));
    }
    for (let hour = 1; hour <= 12; hour++) {
      const [x, y] = at(hour, 66);
      node.append(svg("text", { x, y }, hour));
    }
    node.append(svg("text", { class: "small", x: 0, y: -46 }, words.target));
    node.append(needle);
    seenBest(shot);
    for (const camera of shot.cameras) {
      if (camera.hours === null) continue;
      const [x, y] = at(camera.hours, 88);
      const spot = svg("rect", { class: "camera", x: x - 5, y: y - 5, width: 10, height: 10, transform: `rotate(45 ${x} ${y})` });
      spot.append(svg("title", {}, camera.name));
      node.append(spot);
    }
    node.append(eye);
  }

  // The mark of the first fault stands at an hour that shows most of it, where no camera hides it.
  function seenBest(shot) {
    const [key] = shot.faults[0] ?? [];
    const level = shot.angles.filter(([hours, giving]) => hours !== null && giving);
    if (!key || !level.length) return;
    const most = Math.max(...level.map(([, giving]) => giving));
    const apart = (one, other) => Math.min(Math.abs(one - other), 12 - Math.abs(one - other));
    const room = (hours) => Math.min(6, ...shot.cameras.filter((camera) => camera.hours !== null).map((camera) => apart(hours, camera.hours)));
    const [hours] = level.filter(([, giving]) => giving > most - 0.02).reduce((best, one) => (room(one[0]) > room(best[0]) ? one : best));
    const [x, y] = at(hours, 88);
    node.append(svg("use", { href: "#mark-" + key, x: x - 10, y: y - 10, width: 20, height: 20 }));
  }

  function move() {
    const reach = 88 * Math.cos(state.lift * Math.PI / 180);
    const [x, y] = at(state.hours, reach);
    // A cone from the camera over the archer.
    const [left, right] = [state.hours - 3, state.hours + 3].map((hours) => at(hours, 16));
    needle.setAttribute("d", `M${left.join(" ")}L${x} ${y}L${right.join(" ")}A16 16 0 0 1 ${left.join(" ")}z`);
    eye.setAttribute("cx", x);
    eye.setAttribute("cy", y);
    node.setAttribute("aria-valuenow", state.hours.toFixed(1));
    node.setAttribute("aria-valuetext", placeWords());
  }

  const point = (event) => {
    const box = node.getBoundingClientRect();
    const x = (event.clientX - box.left) / box.width * 200 - 100, y = (event.clientY - box.top) / box.height * 200 - 100;
    if (Math.hypot(x, y) < 22) { overhead(); return; }
    const hours = Math.round(Math.atan2(x, -y) * 6 / Math.PI * 4) / 4;
    turn(hours, event.type === "pointerdown" && state.lift > 60 ? 0 : state.lift);
  };
  node.addEventListener("pointerdown", (event) => { node.setPointerCapture(event.pointerId); point(event); });
  node.addEventListener("pointermove", (event) => { if (event.buttons) point(event); });
  node.addEventListener("keydown", (event) => {
    const step = { ArrowRight: [0.5, 0], ArrowLeft: [-0.5, 0], ArrowUp: [0, 15], ArrowDown: [0, -15] }[event.key];
    if (step) turn(Math.round(state.hours * 2) / 2 + step[0], state.lift + step[1]);
    else if (event.key === "Home") turn(0, 0);
    else return;
    event.preventDefault();
    event.stopPropagation();
  });
  viewers.push({ on: ["hours", "lift"], draw: move });
  return node;
}

// Straight down with 12 o'clock at the top: seen from the side of 6 o'clock, raised to 90 degrees.
const overhead = () => turn(6, 90);

function viewPane(indices) {
  const say = element("p", { class: "view-words", "aria-live": "polite" });
  const draw = () => say.replaceChildren(...viewWords());
  viewers.push({ on: ["hours", "lift"], draw });
  draw();
  const zooms = choice("zoom", [["archer", words.zoom_archer], ["path", words.zoom_path], ["close", words.zoom_close]]);
  const above = element("button", { type: "button", class: "plain-button screen-only", onclick: overhead }, words.overhead);
  return element("div", { class: "pane pane-view" },
    element("h3", {}, words.seen_from, zooms),
    element("div", { class: "view-row" }, rangeView(indices), dial(),
      element("div", {}, say, above, element("p", { class: "hint angle-words" }, data.shots[indices[0]].angle_words), element("p", { class: "hint" }, words.figure_note), element("p", { class: "hint screen-only" }, words.seen_hint))));
}

function viewWords() {
  const shot = data.shots[state.shot], above = state.lift > 60;
  const nearest = shot.angles.reduce((best, share) => {
    if ((share[0] === null) !== above) return best;
    const apart = above ? 0 : Math.abs(((share[0] - state.hours + 18) % 12) - 6);
    return best === null || apart < best.apart ? { share, apart } : best;
  }, null);
  const head = element("b", {}, placeWords() + ". ");
  if (!nearest || (state.lift > 12 && !above)) return [head];
  const percent = (value) => Math.round((value ?? 0) * 100) + "\u00a0%";
  const [, giving, around, v] = nearest.share;
  return [head, fill(words.shows, { giving: percent(giving), around: percent(around), v: percent(v) })];
}

