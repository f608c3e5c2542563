// The path as a camera at some place of the clock face would see it.

const VIEW_WIDTH = 640, VIEW_HEIGHT = 520;
const CAMERA_DISTANCE_MM = 4500;

// Range frame: x toward the target, y toward 9 o'clock, z up. The dial turns clockwise seen from above.
function axesOfView() {
  const around = state.hours * Math.PI / 6, lift = state.lift * Math.PI / 180;
  const level = [Math.cos(around), -Math.sin(around), 0];
  const toward = [Math.cos(lift) * level[0], Math.cos(lift) * level[1], Math.sin(lift)];
  const right = [-level[1], level[0], 0];
  const up = [toward[1] * right[2] - toward[2] * right[1], toward[2] * right[0] - toward[0] * right[2], toward[0] * right[1] - toward[1] * right[0]];
  return { toward, right, up };
}

const dot = (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];

function framing(indices) {
  const shot = data.shots[indices[0]];
  const now = pointAt(indices[0], ownTime(indices[0])) ?? [0, 0, 1300];
  if (state.zoom === "close") {
    // A fault stays in the middle, so that the eye can rest; without one the view follows the elbow.
    const [fault] = shot.faults;
    const centre = fault ? pointAt(indices[0], (fault[1] + fault[2]) / 2) : now;
    return { centre, size: 110 };
  }
  if (state.zoom === "archer") return { centre: [60, shot.line?.[0][1] ?? 0, 960], size: 2250 };
  const zero = eventOf(indices[0]);
  const from = (shot.events.set_up ?? shot.time[0]) - 0.3, to = (shot.events.release ?? shot.events.end ?? 0) + 0.05;
  const low = [Infinity, Infinity, Infinity], high = [-Infinity, -Infinity, -Infinity];
  for (const index of indices) {
    const one = data.shots[index], shift = eventOf(index) - zero;
    one.position.forEach((point, sample) => {
      if (one.time[sample] - shift < from || one.time[sample] - shift > to) return;
      point.forEach((value, axis) => { low[axis] = Math.min(low[axis], value); high[axis] = Math.max(high[axis], value); });
    });
  }
  if (!Number.isFinite(low[0])) return { centre: now, size: 700 };
  const size = Math.hypot(...high.map((value, axis) => value - low[axis]));
  return { centre: low.map((value, axis) => (value + high[axis]) / 2), size: clamp(size * 0.98, 150, 2250) };
}

function rangeView(indices) {
  const node = svg("svg", { class: "range-view", viewBox: `0 0 ${VIEW_WIDTH} ${VIEW_HEIGHT}`, role: "img" });

  function draw() {
    const { toward, right, up } = axesOfView();
    const { centre, size } = framing(indices);
    const scale = (VIEW_HEIGHT - 90) / size;
    const project = (point) => {
      const from = point.map((value, axis) => value - centre[axis]);
      const near = CAMERA_DISTANCE_MM / Math.max(400, CAMERA_DISTANCE_MM - dot(from, toward));
      return [VIEW_WIDTH / 2 + dot(from, right) * near * scale, VIEW_HEIGHT / 2 - dot(from, up) * near * scale];
    };
    const way = (points) => points.map((point) => project(point).map((value) => value.toFixed(1)).join(",")).join(" ");
    node.replaceChildren();
    const shot = data.shots[indices[0]];
    surroundings(node, shot, project, way);
    const glass = state.zoom === "close" ? null : lens(indices, { project, scale, right, up });
    indices.forEach((index, rank) => elbowPath(node, index, { project, way, other: rank > 0, glass }));
    if (glass) node.append(glass);
    scaleBar(node, scale);
    node.setAttribute("aria-label", `${words.seen_from} ${placeWords()}`);
  }

  let grip = null;
  node.addEventListener("pointerdown", (event) => {
    node.setPointerCapture(event.pointerId);
    grip = { x: event.clientX, y: event.clientY, hours: state.hours, lift: state.lift };
  });
  node.addEventListener("pointermove", (event) => {
    if (!grip || !event.buttons) return;
    const width = node.getBoundingClientRect().width;
    turn(grip.hours + (event.clientX - grip.x) / width * 6, grip.lift + (event.clientY - grip.y) / width * 180);
  });
  node.addEventListener("pointerup", () => { grip = null; });
  viewers.push({ on: ["time", "hours", "lift", "zoom", "align"], draw });
  draw();
  return node;
}

function turn(hours, lift) {
  set({ hours: ((hours % 12) + 12) % 12, lift: clamp(lift, 0, 90) });
}

function surroundings(node, shot, project, way) {
  const floor = 0, reach = 1300;
  node.append(svg("polyline", { class: "ground", points: way([[0, -reach, floor], [0, reach, floor]]) }));
  const circle = Array.from({ length: 49 }, (_, step) => {
    const angle = step * Math.PI / 24;
    return [Math.cos(angle) * reach, Math.sin(angle) * reach, floor];
  });
  node.append(svg("polyline", { class: "ground", points: way(circle) }));
  if (state.zoom === "archer") {
    for (const [label, x, y] of [["3", 0, -1.1], ["6", -1.1, 0], ["9", 0, 1.1]]) {
      label12(node, project([x * reach, y * reach, floor]), label, "middle");
    }
  }
  const { lines, head, draw_shoulder } = shot.figure;
  for (const line of lines) node.append(svg("polyline", { class: "body", points: way(line) }));
  const middle = project(head[0]), edge = project([head[0][0], head[0][1], head[0][2] + head[1]]);
  const side = project([head[0][0] + head[1], head[0][1], head[0][2]]);
  const radius = Math.max(Math.hypot(edge[0] - middle[0], edge[1] - middle[1]), Math.hypot(side[0] - middle[0], side[1] - middle[1]));
  node.append(svg("circle", { class: "body", cx: middle[0], cy: middle[1], r: radius }));
  const elbow = pointAt(data.shots.indexOf(shot), ownTime(data.shots.indexOf(shot)));
  if (elbow) node.append(svg("polyline", { class: "arm", points: way([draw_shoulder, elbow]) }));
  // Target and arrow line: which way is which.
  const [point, ahead] = shot.line ?? [[0, 0, head[0][2] - 150], [1, 0, 0]];
  const along = (distance) => point.map((value, axis) => value + ahead[axis] * distance);
  node.append(svg("polyline", { class: "line", points: way([along(-950), along(1100)]) }));
  arrowHead(node, project(along(1060)), project(along(1180)));
}

// The target lies where the arrow line leads; at the picture's edge where it leads out of it.
function arrowHead(node, from, to) {
  const length = Math.hypot(to[0] - from[0], to[1] - from[1]);
  if (length < 3) { label12(node, [from[0], from[1] - 14], words.target, "middle", true); return; }
  const unit = [(to[0] - from[0]) / length, (to[1] - from[1]) / length];
  const middle = [VIEW_WIDTH / 2, VIEW_HEIGHT / 2];
  let tip = from;
  if (from[0] < 70 || from[0] > VIEW_WIDTH - 70 || from[1] < 30 || from[1] > VIEW_HEIGHT - 30) {
    const room = Math.min(
      Math.abs(unit[0]) > 1e-6 ? (VIEW_WIDTH / 2 - 40) / Math.abs(unit[0]) : Infinity,
      Math.abs(unit[1]) > 1e-6 ? (VIEW_HEIGHT / 2 - 34) / Math.abs(unit[1]) : Infinity);
    const across = (middle[0] - from[0]) * unit[1] - (middle[1] - from[1]) * unit[0];
    tip = [middle[0] + unit[0] * room - unit[1] * across, middle[1] + unit[1] * room + unit[0] * across];
    tip = [clamp(tip[0], 40, VIEW_WIDTH - 40), clamp(tip[1], 34, VIEW_HEIGHT - 34)];
  }
  const wing = (turn) => {
    const cos = Math.cos(turn), sin = Math.sin(turn);
    return `${tip[0] - 14 * (unit[0] * cos - unit[1] * sin)},${tip[1] - 14 * (unit[0] * sin + unit[1] * cos)}`;
  };
  node.append(svg("polyline", { class: "path", points: `${wing(0.45)} ${tip.join(",")} ${wing(-0.45)}` }));
  const anchor = unit[0] > 0.4 ? "end" : unit[0] < -0.4 ? "start" : "middle";
  label12(node, [tip[0], tip[1] - 14 < 16 ? tip[1] + 26 : tip[1] - 14], words.target, anchor, true);
}

function label12(node, at, text, anchor, strong = false) {
  node.append(svg("text", { class: "halo" + (strong ? " strong" : ""), x: at[0], y: at[1], "text-anchor": anchor }, text));
}

function elbowPath(node, index, { project, way, other, glass }) {
  const shot = data.shots[index];
  const piece = (from, to) => shot.position.filter((_, sample) => shot.time[sample] >= from && shot.time[sample] <= to);
  const start = shot.events.set_up ?? shot.time[0], end = shot.events.release ?? shot.events.end ?? 0;
  const kind = other ? " other" : "";
  node.append(svg("polyline", { class: "path faint" + kind, points: way(piece(-Infinity, start)) }));
  node.append(svg("polyline", { class: "path faint" + kind, points: way(piece(end, Infinity)) }));
  node.append(svg("polyline", { class: "path strong" + kind, points: way(piece(start, end)) }));
  const labels = [];
  if (!other && state.zoom === "path") {
    for (const [name, time] of [[words.set_up, shot.events.set_up], [words.anchor, shot.events.anchor], [words.release, shot.events.release]]) {
      if (time === null) continue;
      const [x, y] = project(pointAt(index, time));
      labels.push({ name, x, y: y + (name === words.anchor ? -13 : 23) });
    }
  }
  for (const [key, from, to] of shot.faults) {
    const points = piece(from, to);
    if (!points.length) continue;
    node.append(svg("polyline", { class: "fault", points: way(points) }));
    const at = project(points[points.length >> 1]);
    // A mark that would lie on a name stands in the lens alone.
    const covers = ({ name, x, y }) => Math.abs(x - at[0]) < 13 + 4 * name.length && y > at[1] - 48 && y < at[1] - 4;
    if (glass && labels.some(covers)) continue;
    node.append(svg("use", { href: "#mark-" + key, x: at[0] - 13, y: at[1] - 44, width: 26, height: 26 }));
  }
  if (!other) {
    for (const time of [shot.events.set_up, shot.events.anchor, shot.events.release]) {
      if (time === null) continue;
      const at = project(pointAt(index, time));
      node.append(svg("circle", { class: "event", cx: at[0], cy: at[1], r: 4.5 }));
    }
    for (const { name, x, y } of labels) label12(node, [x, y], name, "middle");
  }
  const now = pointAt(index, ownTime(index));
  if (now) {
    const at = project(now);
    node.append(svg("circle", { class: "now" + kind, cx: at[0], cy: at[1], r: 8 }));
  }
}

function scaleBar(node, scale) {
  const length = [1, 2, 5, 10, 20, 50, 100, 200, 500, 1000].filter((mm) => mm * scale < 170).pop() ?? 1;
  const left = 18, bottom = VIEW_HEIGHT - 16;
  node.append(svg("path", { class: "scale", d: `M${left} ${bottom - 6}v6h${length * scale}v-6` }));
  label12(node, [left + 6, bottom - 10], length >= 1000 ? fill(words.metres, { value: length / 1000 }) : fill(words.millimetres, { value: length }), "start", true);
}

// A fault is a few millimetres of a way of half a metre: a lens in a free corner shows it enlarged, seen from the same
// place.
const LENS = 106;

function lens(indices, { project, scale, right, up }) {
  const shot = data.shots[indices[0]], own = ownTime(indices[0]);
  const fault = shot.faults.find(([, from, to]) => own >= from && own <= to) ?? shot.faults[0];
  if (!fault) return null;
  const [key, from, to] = fault, room = Math.max(0.2, 0.5 * (to - from));
  const centre = pointAt(indices[0], (from + to) / 2);
  const flat = (point) => {
    const off = point.map((value, axis) => value - centre[axis]);
    return [dot(off, right), -dot(off, up)];
  };
  const shown = shot.position.filter((_, sample) => shot.time[sample] >= from - 0.1 && shot.time[sample] <= to + 0.1).map(flat);
  if (!shown.length) return null;
  const reach = Math.max(6, ...shown.map(([x, y]) => Math.hypot(x, y)));
  const enlarged = (LENS - 22) / reach;
  if (enlarged < 1.6 * scale) return null;
  const corners = [[LENS + 12, LENS + 12], [VIEW_WIDTH - LENS - 12, LENS + 12], [VIEW_WIDTH - LENS - 12, VIEW_HEIGHT - LENS - 12]];
  const way = shot.position.filter((_, sample) => sample % 4 === 0).map(project);
  const events = [shot.events.set_up, shot.events.anchor, shot.events.release].filter((time) => time !== null).map((time) => project(pointAt(indices[0], time)));
  const covered = ([x, y]) => way.filter((point) => Math.hypot(point[0] - x, point[1] - y) < LENS + 8).length
    + 500 * events.filter((point) => Math.hypot(point[0] - x, point[1] - y) < LENS + 48).length;
  const [x, y] = corners.reduce((best, corner) => (covered(corner) < covered(best) ? corner : best));
  const at = (point) => flat(point).map((value, axis) => [x, y][axis] + value * enlarged);
  const line = (index, begin, end) => {
    const one = data.shots[index], shift = eventOf(index) - eventOf(indices[0]);
    return one.position.filter((_, sample) => one.time[sample] - shift >= begin && one.time[sample] - shift <= end).map((point) => at(point).map((value) => value.toFixed(1)).join(",")).join(" ");
  };
  const group = svg("g", { class: "lens" }), clip = svg("clipPath", { id: "lens-" + indices.join("-") });
  clip.append(svg("circle", { cx: x, cy: y, r: LENS - 1 }));
  const spot = project(centre), apart = Math.hypot(spot[0] - x, spot[1] - y);
  if (apart > LENS + 6) {
    const share = LENS / apart;
    group.append(svg("path", { class: "ray", d: `M${x + (spot[0] - x) * share} ${y + (spot[1] - y) * share}L${spot.join(" ")}` }));
  }
  group.append(clip, svg("circle", { class: "glass", cx: x, cy: y, r: LENS }));
  const inside = svg("g", { "clip-path": `url(#lens-${indices.join("-")})` });
  indices.forEach((index, rank) => inside.append(svg("polyline", { class: "path strong" + (rank ? " other" : ""), points: line(index, from - room, to + room) })));
  inside.append(svg("polyline", { class: "fault", points: line(indices[0], from, to) }));
  // Which way it went: a ring where it begins, an arrow where it ends.
  const ends = [from, to].map((time) => at(pointAt(indices[0], time)));
  const long = Math.hypot(ends[1][0] - ends[0][0], ends[1][1] - ends[0][1]);
  inside.append(svg("circle", { class: "event", cx: ends[0][0], cy: ends[0][1], r: 5.5 }));
  if (long > 14) {
    const [ux, uy] = [0, 1].map((axis) => (ends[1][axis] - ends[0][axis]) / long), [tx, ty] = ends[1];
    inside.append(svg("path", { class: "head", d: `M${tx + 9 * ux} ${ty + 9 * uy}l${-16 * ux - 9 * uy} ${-16 * uy + 9 * ux}l${18 * uy} ${-18 * ux}z` }));
  }
  const now = pointAt(indices[0], own);
  if (now) { const [cx, cy] = at(now); inside.append(svg("circle", { class: "now-lens", cx, cy, r: 7 })); }
  group.append(inside, svg("use", { href: "#mark-" + key, x: x - 13, y: y - LENS + 8, width: 26, height: 26 }));
  const length = [0.5, 1, 2, 5, 10, 20, 50].filter((mm) => mm * enlarged < 80).pop() ?? 0.5;
  group.append(svg("path", { class: "scale", d: `M${x - length * enlarged / 2} ${y + LENS - 26}v6h${length * enlarged}v-6` }));
  label12(group, [x, y + LENS - 28], fill(words.millimetres, { value: length }), "middle", true);
  return group;
}
