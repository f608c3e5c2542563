// The time cursor that all views share: a slider over the phases, and play.

function scrub() {
  const slider = element("input", { type: "range", step: "0.005", "aria-label": words.time, "data-time": "yes" });
  const bars = svg("svg", { class: "bars", "aria-hidden": "true", preserveAspectRatio: "none" });
  const where = element("span", { class: "where" });
  const play = element("button", { type: "button", class: "plain-button", onclick: () => set({ playing: !state.playing }) });
  const speed = element("select", { "aria-label": words.play, onchange: (event) => set({ rate: Number(event.target.value) }) },
    element("option", { value: "0.25" }, words.slow), element("option", { value: "1" }, words.real));
  speed.value = String(state.rate);
  slider.addEventListener("input", () => set({ time: Number(slider.value), playing: false }));
  const node = element("div", { class: "scrub screen-only" },
    element("div", { class: "scrub-row" }, play, element("span", { class: "tools" }, speed), element("div", { class: "scrub-track" }, bars, slider), where));

  function scale() {
    const [start, stop] = wholeSpan(), shot = data.shots[state.shot], zero = eventOf(state.shot);
    const width = Math.max(200, bars.clientWidth || 600);
    const x = (time) => (time - zero - start) / (stop - start) * width;
    slider.min = start.toFixed(3);
    slider.max = stop.toFixed(3);
    bars.setAttribute("viewBox", `0 0 ${width} 24`);
    bars.replaceChildren();
    shot.phases.forEach(([phase, from, to], order) => {
      bars.append(svg("rect", { class: order % 2 ? "odd" : "", x: x(from), y: 0, width: Math.max(0, x(to) - x(from)), height: 24 }));
      const name = data.phases[phase] ?? phase;
      const letters = name.length * 6.6, first = x(from) + 5;
      const covered = shot.faults.some(([, begin, end]) => Math.abs(x((begin + end) / 2) - first - letters / 2) < letters / 2 + 12);
      if (!covered && x(to) - x(from) > letters + 8) bars.append(svg("text", { x: first, y: 16 }, name));
    });
    for (const [, from, to] of shot.faults) {
      const left = x(from), right = Math.max(x(to), left + 3);
      bars.append(svg("rect", { class: "wash", x: left, y: 0, width: right - left, height: 24 }), svg("path", { class: "edge", d: `M${left} 0V24M${right} 0V24` }));
    }
    for (const [key, from, to] of shot.faults) bars.append(svg("use", { href: "#mark-" + key, x: x((from + to) / 2) - 10, y: 2, width: 20, height: 20 }));
    move();
  }

  function move() {
    slider.value = state.time;
    const phase = phaseAt(state.shot, ownTime(state.shot));
    where.textContent = timeWords() + (phase ? " · " + phase : "");
    slider.setAttribute("aria-valuetext", where.textContent);
  }

  function run() {
    play.textContent = state.playing ? words.pause : words.play;
    if (!state.playing) return;
    const [start, stop] = shownSpan();
    let before = null, time = state.time >= stop - 0.02 || state.time < start ? start : state.time;
    const tick = (now) => {
      if (!state.playing || !node.isConnected) return;
      time += before === null ? 0 : (now - before) / 1000 * state.rate;
      before = now;
      if (time >= stop) { set({ time: stop, playing: false }); return; }
      set({ time });
      requestAnimationFrame(tick);
    };
    requestAnimationFrame(tick);
  }

  onWidth(bars, scale);
  viewers.push({ on: ["align"], draw: scale }, { on: ["time"], draw: move }, { on: ["playing"], draw: run });
  scale();
  run();
  return node;
}

