// What the cameras saw: one large picture for each camera and its strip of key instants.

function picturesPane(indices) {
  const stages = element("div", { class: "stages" });
  const pane = element("div", { class: "pane pane-pictures" }, element("h3", {}, words.pictures), stages);
  for (const index of indices) {
    data.shots[index].cameras.forEach((camera, rank) => {
      const strip = document.querySelector(`.strip[data-shot="${index}"][data-camera="${rank}"]`);
      if (strip && camera.pictures.length) stages.append(stage(index, camera, strip, indices.length > 1));
    });
  }
  return stages.children.length ? pane : null;
}

function stage(index, camera, strip, named) {
  const shot = data.shots[index], [width, height] = camera.size;
  const frames = [...strip.querySelectorAll(".frame")];
  const picture = element("img", { alt: "", width, height });
  const cover = svg("svg", { viewBox: `0 0 ${width} ${height}`, "aria-hidden": "true" });
  const points = (list) => list.map(([, x, y]) => `${x},${y}`).join(" ");
  cover.append(svg("polyline", { class: "trace-under", points: points(camera.trace) }));
  cover.append(svg("polyline", { class: "trace", points: points(camera.trace) }));
  for (const [, from, to] of shot.faults) {
    cover.append(svg("polyline", { class: "trace-fault", points: points(camera.trace.filter(([time]) => time >= from && time <= to)) }));
  }
  // The marks stand where they stand in the small pictures, half as large: these show four times as much.
  for (const small of frames[0].querySelectorAll("use")) {
    const [x, y, side] = ["x", "y", "width"].map((key) => Number(small.getAttribute(key)));
    cover.append(svg("use", { href: small.getAttribute("href"), x: x + side / 4, y: y + side / 4, width: side / 2, height: side / 2 }));
  }
  const now = svg("circle", { class: "dot-now", r: Math.max(4, width / 70) });
  cover.append(now);
  const where = camera.hours === null ? words.overhead : fill(words.stands_at, { clock: fill(words.oclock, { clock: clockWords(camera.hours) }) });
  const title = (named ? fill(words.shot_n, { n: shot.number }) + ", " : "") + camera.name;
  const look = element("button", { type: "button", class: "screen-only", onclick: () => (camera.hours === null ? overhead() : turn(camera.hours, camera.elevation)) }, words.from_camera);
  const node = element("figure", { class: "stage" },
    element("figcaption", {}, element("span", {}, element("b", {}, element("bdi", {}, title)), `, ${where}`), look),
    element("div", { class: "big" }, element("span", {}, picture, cover)), strip);

  frames.forEach((frame, rank) => {
    frame.onclick = () => set({ time: camera.pictures[rank][0] - eventOf(index), playing: false });
  });

  function draw() {
    const time = ownTime(index);
    let nearest = 0;
    camera.pictures.forEach(([at], rank) => {
      if (Math.abs(at - time) < Math.abs(camera.pictures[nearest][0] - time)) nearest = rank;
    });
    frames.forEach((frame, rank) => frame.setAttribute("aria-current", rank === nearest));
    const source = frames[nearest].querySelector("img");
    if (picture.src !== source.src) { picture.src = source.src; picture.alt = source.alt; }
    const times = camera.trace.map((point) => point[0]);
    const inside = times.length && time >= times[0] - 0.02 && time <= times[times.length - 1] + 0.02;
    now.setAttribute("cx", inside ? valueAt(times, camera.trace.map((point) => point[1]), time) : -999);
    now.setAttribute("cy", inside ? valueAt(times, camera.trace.map((point) => point[2]), time) : -999);
  }
  viewers.push({ on: ["time", "align"], draw });
  draw();
  return node;
}

