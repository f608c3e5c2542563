"use strict";
(() => {
// One state for the whole page. Every view reads it, and `set` redraws what depends on what changed.

const data = JSON.parse(document.getElementById("practice").textContent);
const words = data.words;
const svgSpace = document.querySelector("svg").namespaceURI;

const state = {
  shot: 0,          // index of the shot in view
  other: -1,        // index of the shot it is compared with, or -1
  layout: "over",   // "over" (on top of each other) or "beside"
  align: "release", // the event at which both shots are laid over each other
  time: 0,          // the shared cursor, seconds from that event
  hours: 3,         // where the imagined camera stands on the clock face
  lift: 0,          // degrees above level; 90 is overhead
  zoom: "path",     // "archer", "path" or "close"
  span: "draw",     // time shown by the curves: "whole", "draw" or "last"
  playing: false,
  rate: 0.25,
};

const viewers = []; // { on: ["time", ...], draw }
let pending = null;

function set(change) {
  for (const [key, value] of Object.entries(change)) {
    if (state[key] === value) continue;
    state[key] = value;
    pending ??= new Set();
    pending.add(key);
  }
  if (pending && !set.asked) {
    set.asked = true;
    requestAnimationFrame(redraw);
  }
}

function redraw() {
  set.asked = false;
  const changed = pending ?? new Set();
  pending = null;
  for (const viewer of viewers) {
    if (viewer.on.some((key) => changed.has(key))) viewer.draw(changed);
  }
}

// Texts come from people: they only ever enter the page as text.
function element(tag, attributes = {}, ...children) {
  const node = document.createElement(tag);
  for (const [key, value] of Object.entries(attributes)) {
    if (key.startsWith("on")) node.addEventListener(key.slice(2), value);
    else if (value !== null && value !== undefined && value !== false) node.setAttribute(key, value === true ? "" : value);
  }
  node.append(...children);
  return node;
}

function svg(tag, attributes = {}, text = null) {
  const node = document.createElementNS(svgSpace, tag);
  for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
  if (text !== null) node.textContent = text;
  return node;
}

// Draws again, in a frame of its own, when an element gets another width.
function onWidth(node, draw) {
  let before = 0;
  new ResizeObserver(() => {
    const width = node.clientWidth;
    if (width && width !== before) requestAnimationFrame(draw);
    before = width;
  }).observe(node);
}

function mark(key, small = false) {
  const node = svg("svg", { class: small ? "mark small" : "mark", role: "img", "aria-label": data.marks[key] ?? key });
  node.append(svg("use", { href: "#mark-" + key }));
  return node;
}

const isFault = (key) => ["stall", "collapse", "gave-way", "creep", "hook-slip"].includes(key);
const fill = (text, values) => text.replace(/\{(\w+)\}/g, (whole, key) => values[key] ?? whole);
const clamp = (value, low, high) => Math.min(high, Math.max(low, value));
const shots = () => (state.other < 0 ? [state.shot] : [state.shot, state.other]);
const columns = () => (state.other >= 0 && state.layout === "beside" ? [[state.shot], [state.other]] : [shots()]);

// A shot's own time at which it is aligned; a shot without that event falls back to its zero.
const eventOf = (shot) => data.shots[shot].events[state.align] ?? 0;
const ownTime = (shot) => state.time + eventOf(shot);

// Place of a time among increasing times: index before it and share of the step.
function place(times, time) {
  let low = 0, high = times.length - 1;
  if (high < 1 || time <= times[0]) return [0, 0];
  if (time >= times[high]) return [high - 1, 1];
  while (high - low > 1) {
    const middle = (low + high) >> 1;
    if (times[middle] <= time) low = middle; else high = middle;
  }
  return [low, (time - times[low]) / (times[high] - times[low])];
}

function valueAt(times, values, time) {
  if (!times.length) return null;
  const [index, share] = place(times, time);
  const next = Math.min(index + 1, values.length - 1);
  return values[index] + share * (values[next] - values[index]);
}

function pointAt(shot, time) {
  const { time: times, position } = data.shots[shot];
  if (!times.length) return null;
  const [index, share] = place(times, time);
  const next = Math.min(index + 1, position.length - 1);
  return [0, 1, 2].map((axis) => position[index][axis] + share * (position[next][axis] - position[index][axis]));
}

// First and last moment that any shot in view has, on the shared axis.
function wholeSpan() {
  const ends = shots().filter((shot) => data.shots[shot].time.length).map((shot) => {
    const times = data.shots[shot].time;
    return [times[0] - eventOf(shot), times[times.length - 1] - eventOf(shot)];
  });
  return ends.length ? [Math.min(...ends.map((end) => end[0])), Math.max(...ends.map((end) => end[1]))] : [-1, 1];
}

function shownSpan() {
  const whole = wholeSpan();
  const shot = data.shots[state.shot], zero = eventOf(state.shot);
  const end = shot.events.release ?? shot.events.end ?? 0;
  let start = whole[0], stop = whole[1];
  if (state.span === "draw") { start = (shot.events.set_up ?? shot.time[0]) - 0.25 - zero; stop = end + 0.12 - zero; }
  if (state.span === "last") { start = (shot.events.anchor ?? end - 1.5) - 0.15 - zero; stop = end + 0.04 - zero; }
  start = Math.max(start, whole[0]);
  stop = Math.min(stop, whole[1]);
  return stop - start > 0.05 ? [start, stop] : whole;
}

function phaseAt(shot, time) {
  const found = data.shots[shot].phases.find(([, start, end]) => time >= start && time < end);
  return found ? data.phases[found[0]] ?? found[0] : "";
}

function timeWords() {
  const after = state.time >= 0;
  return fill(words[(after ? "after_" : "before_") + state.align], { s: Math.abs(state.time).toFixed(2) });
}

