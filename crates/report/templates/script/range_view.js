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
    indices.forEach((index, rank) => elbowPath(node, index, project, way, rank > 0));
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

function elbowPath(node, index, project, way, other) {
  const shot = data.shots[index];
  const piece = (from, to) => shot.position.filter((_, sample) => shot.time[sample] >= from && shot.time[sample] <= to);
  const start = shot.events.set_up ?? shot.time[0], end = shot.events.release ?? shot.events.end ?? 0;
  const kind = other ? " other" : "";
  node.append(svg("polyline", { class: "path faint" + kind, points: way(piece(-Infinity, start)) }));
  node.append(svg("polyline", { class: "path faint" + kind, points: way(piece(end, Infinity)) }));
  node.append(svg("polyline", { class: "path strong" + kind, points: way(piece(start, end)) }));
  for (const [key, from, to] of shot.faults) {
    const points = piece(from, to);
    if (!points.length) continue;
    node.append(svg("polyline", { class: "fault", points: way(points) }));
    const at = project(points[points.length >> 1]);
    node.append(svg("use", { href: "#mark-" + key, x: at[0] - 13, y: at[1] - 44, width: 26, height: 26 }));
  }
  if (!other) {
    for (const [name, time] of [[words.set_up, shot.events.set_up], [words.anchor, shot.events.anchor], [words.release, shot.events.release]]) {
      if (time === null) continue;
      const at = project(pointAt(index, time));
      node.append(svg("circle", { class: "event", cx: at[0], cy: at[1], r: 4.5 }));
      if (state.zoom === "path") label12(node, [at[0], at[1] + (name === words.anchor ? -13 : 23)], name, "middle");
    }
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
  label12(node, [left + 6, bottom - 10], length >= 1000 ? length / 1000 + " m" : length + " mm", "start", true);
}

