// Curves of away, behind, height and speed: phases shaded, 95 % bands, faults hatched, one cursor.

const CURVES = ["away", "behind", "height", "speed"];
const LEFT = 62, RIGHT = 14, TOP = 46;

function niceStep(range, count) {
  const raw = range / count, power = 10 ** Math.floor(Math.log10(raw));
  return [1, 2, 5, 10].map((factor) => factor * power).find((step) => step >= raw);
}

let paper = false;
for (const [event, value] of [["beforeprint", true], ["afterprint", false]]) {
  window.addEventListener(event, () => {
    paper = value;
    for (const viewer of viewers) if (viewer.on.includes("paper")) viewer.draw(new Set());
  });
}

function curvesPane(indices) {
  const charts = element("div", {
    class: "charts", tabindex: "0", role: "slider", "aria-label": words.curves + ", " + words.time, "data-time": "yes",
  });
  const body = element("div", { class: "pane pane-curves" }, spanHead(), charts);
  let drawn = [];

  // On paper two charts stand in a row: drawn narrower, their letters stay readable.
  function draw() {
    const width = paper ? 300 : Math.max(300, charts.clientWidth || 900);
    charts.replaceChildren();
    drawn = CURVES.map((key, place) => chart(key, indices, width, place));
    charts.append(...drawn.map((one) => one.node));
    moveCursor();
  }

  function moveCursor() {
    for (const one of drawn) one.move();
    charts.setAttribute("aria-valuetext", timeWords());
    charts.setAttribute("aria-valuenow", state.time.toFixed(2));
  }

  onWidth(charts, () => { if (!paper && !matchMedia("print").matches) draw(); });
  draw();
  viewers.push({ on: ["span", "align", "paper"], draw }, { on: ["time"], draw: moveCursor });
  return body;
}

function spanHead() {
  return element("h3", {}, words.curves, choice("span", [["whole", words.whole], ["draw", words.draw_on], ["last", words.last]]));
}

function chart(key, indices, width, order) {
  const height = (order === 0 ? 218 : 188) - (paper ? 40 : 0);
  const top = order === 0 ? TOP + 18 : TOP - 12;
  const [start, stop] = shownSpan();
  const node = svg("svg", { class: "chart", viewBox: `0 0 ${width} ${height}`, "data-curve": key, "aria-hidden": "true" });
  const x = (time) => LEFT + (time - start) / (stop - start) * (width - LEFT - RIGHT);
  const [low, high] = range(key, indices, start, stop);
  const y = (value) => top + (high - value) / (high - low) * (height - top - 22);
  const clip = "clip-" + key + "-" + indices.join("-");
  const clipPath = svg("clipPath", { id: clip });
  clipPath.append(svg("rect", { x: LEFT, y: top - 4, width: width - LEFT - RIGHT, height: height - top - 14 }));
  node.append(clipPath);
  background(node, indices[0], { x, start, stop, top, height, labels: order === 0 });
  axes(node, { x, y, low, high, start, stop, top, width, height });
  const inside = svg("g", { "clip-path": `url(#${clip})` });
  node.append(inside);
  indices.forEach((index, rank) => ways(inside, data.shots[index], key, eventOf(index), x, y, rank > 0));
  veil(node, indices[0], { x, start, stop, top, height });
  marks(node, indices, { x, y, start, stop, top, height, key });
  const meaning = key === "behind" && !data.shots[indices[0]].line_known ? data.curves.behind_change : data.curves[key];
  node.append(svg("text", { class: "name", x: width < 480 ? 2 : LEFT, y: order === 0 ? 15 : 16 }, `${meaning.name}, ${meaning.unit}`));
  const now = svg("text", { class: "now", x: width - RIGHT, y: order === 0 ? 15 : 16, "text-anchor": "end" });
  const cursor = svg("path", { class: "cursor" });
  const dots = indices.map((_, rank) => svg("circle", { class: rank ? "cursor-dot other" : "cursor-dot", r: 5.5 }));
  node.append(cursor, ...dots, now);

  const seek = (event) => {
    const box = node.getBoundingClientRect();
    const share = ((event.clientX - box.left) / box.width * width - LEFT) / (width - LEFT - RIGHT);
    set({ time: clamp(start + share * (stop - start), start, stop), playing: false });
  };
  node.addEventListener("pointerdown", (event) => { node.setPointerCapture(event.pointerId); seek(event); });
  node.addEventListener("pointermove", (event) => { if (event.buttons) seek(event); });

  function move() {
    const at = x(clamp(state.time, start, stop));
    cursor.setAttribute("d", `M${at} ${top - 4}V${height - 20}`);
    now.textContent = indices.map((index, rank) => {
      const shot = data.shots[index], time = ownTime(index);
      const value = valueAt(shot.time, shot[key].value, time), half = valueAt(shot.time, shot[key].half, time);
      const within = shot.time.length && time >= shot.time[0] && time <= shot.time[shot.time.length - 1];
      dots[rank].setAttribute("cx", at);
      dots[rank].setAttribute("cy", within ? clamp(y(value), top - 4, height - 20) : -99);
      if (!within) return "–";
      const decimals = key === "speed" || half >= 9.5 ? 0 : 1;
      const name = indices.length > 1 ? fill(words.shot_n, { n: shot.number }) + ": " : "";
      return `${name}${value.toFixed(decimals).replace("-", "−")} ± ${half.toFixed(decimals)}`;
    }).join(" · ");
  }
  return { node, move };
}

// The axis covers what is shown before release; the burst of the release may leave it.
function range(key, indices, start, stop) {
  let low = Infinity, high = -Infinity;
  for (const index of indices) {
    const shot = data.shots[index], zero = eventOf(index);
    const last = shot.events.release === null ? stop : Math.min(stop, shot.events.release - zero);
    // A shot counts from where it, too, is in the phase that is shown.
    const own = { draw: shot.events.set_up, last: shot.events.anchor }[state.span] ?? null;
    const first = own === null ? start : Math.max(start, own - 0.25 - zero);
    shot.time.forEach((time, sample) => {
      if (time - zero < first || time - zero > last) return;
      low = Math.min(low, shot[key].value[sample] - shot[key].half[sample]);
      high = Math.max(high, shot[key].value[sample] + shot[key].half[sample]);
    });
  }
  if (!(high > low)) return [0, 1];
  if (key === "speed") low = Math.min(0, low);
  const room = (high - low) * 0.07;
  return [key === "speed" ? low : low - room, high + room];
}

function background(node, index, { x, start, stop, top, height, labels }) {
  const zero = eventOf(index);
  data.shots[index].phases.forEach(([phase, from, to], order) => {
    const left = x(clamp(from - zero, start, stop)), right = x(clamp(to - zero, start, stop));
    if (right - left < 0.5) return;
    if (order % 2 === 0) node.append(svg("rect", { class: "tint", x: left, y: top - 4, width: right - left, height: height - top - 16 }));
    const name = data.phases[phase] ?? phase;
    if (!labels) return;
    // The name stands beside the marks of faults, in the widest room between them.
    const marked = data.shots[index].faults.map(([, begin, end]) => x((begin + end) / 2 - zero)).filter((at) => at > left - 12 && at < right + 12).sort((a, b) => a - b);
    const edges = [left, ...marked.flatMap((at) => [at - 13, at + 13]), right];
    let room = [left, left];
    for (let edge = 0; edge < edges.length; edge += 2) {
      if (edges[edge + 1] - edges[edge] > room[1] - room[0]) room = [edges[edge], edges[edge + 1]];
    }
    if (room[1] - room[0] > name.length * 7.4) {
      node.append(svg("text", { x: (room[0] + room[1]) / 2, y: top - 12, "text-anchor": "middle" }, name));
    }
  });
}

// Where fewer than two cameras saw the marker, the curve is a guess: a veil says so.
function veil(node, index, { x, start, stop, top, height }) {
  const { gap, time } = data.shots[index], zero = eventOf(index);
  for (let from = gap.indexOf(1); from >= 0;) {
    let to = from;
    while (gap[to + 1]) to++;
    const left = x(clamp(time[Math.max(0, from - 1)] - zero, start, stop)), right = x(clamp(time[Math.min(to + 1, time.length - 1)] - zero, start, stop));
    if (right > left) {
      const cover = svg("rect", { class: "gap", x: left, y: top - 4, width: right - left, height: height - top - 16 });
      cover.append(svg("title", {}, words.not_seen));
      node.append(cover);
      if (right - left > 150) node.append(svg("text", { x: (left + right) / 2, y: top + 14, "text-anchor": "middle" }, words.not_seen));
    }
    from = gap.indexOf(1, to + 1);
  }
}

function axes(node, { x, y, low, high, start, stop, top, width, height }) {
  const step = niceStep(high - low, 4);
  for (let value = Math.ceil(low / step) * step; value <= high; value += step) {
    node.append(svg("path", { class: "grid", d: `M${LEFT} ${y(value)}H${width - RIGHT}` }));
    node.append(svg("text", { x: LEFT - 8, y: y(value) + 4.5, "text-anchor": "end" }, (Math.round(value / step) * step).toFixed(step < 1 ? 1 : 0).replace("-", "−")));
  }
  const tick = niceStep(stop - start, Math.max(3, width / 130));
  for (let time = Math.ceil(start / tick) * tick; time <= stop + 1e-9; time += tick) {
    node.append(svg("path", { class: "axis", d: `M${x(time)} ${height - 20}v5` }));
    node.append(svg("text", { x: x(time), y: height - 3, "text-anchor": "middle" }, fill(words.seconds, { value: Math.abs(time) < 1e-9 ? "0" : time.toFixed(tick < 0.1 ? 2 : tick < 1 ? 1 : 0).replace("-", "−") })));
  }
  node.append(svg("path", { class: "axis", d: `M${LEFT} ${top - 4}V${height - 20}H${width - RIGHT}` }));
}

function ways(node, shot, key, zero, x, y, other) {
  const { value, half } = shot[key];
  if (!value.length) return;
  const up = [], down = [], line = [];
  shot.time.forEach((time, sample) => {
    const at = x(time - zero).toFixed(1);
    line.push(`${at},${y(value[sample]).toFixed(1)}`);
    up.push(`${at},${y(value[sample] + half[sample]).toFixed(1)}`);
    down.unshift(`${at},${y(value[sample] - half[sample]).toFixed(1)}`);
  });
  const kind = other ? " other" : "";
  node.append(svg("polygon", { class: "band" + kind, points: up.concat(down).join(" ") }));
  node.append(svg("polyline", { class: "curve" + kind, points: line.join(" ") }));
}

function marks(node, indices, { x, start, stop, top, height }) {
  indices.forEach((index, rank) => {
    const shot = data.shots[index], zero = eventOf(index);
    for (const [kind, from, to, text] of shot.faults) {
      if (to - zero < start || from - zero > stop) continue;
      const left = x(clamp(from - zero, start, stop)), right = Math.max(x(clamp(to - zero, start, stop)), left + 3);
      const group = svg("g");
      group.append(svg("title", {}, text));
      group.append(svg("rect", { class: "wash", x: left, y: top - 4, width: right - left, height: height - top - 16 }));
      group.append(svg("path", { class: "edge", d: `M${left} ${top - 4}V${height - 20}M${right} ${top - 4}V${height - 20}` }));
      group.append(svg("use", { href: "#mark-" + kind, x: (left + right) / 2 - 10, y: top - 14 + rank * 22, width: 20, height: 20 }));
      node.append(group);
    }
    if (rank === 0 && shot.events.release !== null) {
      const at = shot.events.release - zero;
      if (at >= start && at <= stop) node.append(svg("path", { class: "release", d: `M${x(at)} ${top - 4}V${height - 20}` }));
    }
  });
}

