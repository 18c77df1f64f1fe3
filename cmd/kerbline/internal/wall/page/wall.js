"use strict";
// One card a car. The page believes nothing that is older than a second.
const staleMs = 1000;
const cards = new Map();
let line = [], heard = -Infinity;

function lost() {
  if (!document.body.classList.toggle("lost", performance.now() - heard > staleMs)) return;
  for (const c of cards.values()) {
    c.root.className = "";
    c.word.textContent = "NO DATA";
    c.advice.textContent = "this page hears nothing";
    c.reasons.replaceChildren();
    c.facts.replaceChildren();
  }
}
setInterval(lost, 100);

const of = (x, limit) => x === null ? "not sent" : num(x, 2, "m") + " of " + num(limit, 2, "m");
const num = (x, digits, unit) => x === null ? "not sent" : x.toFixed(digits) + " " + unit;

function card(name) {
  let c = cards.get(name);
  if (c) return c;
  const root = document.createElement("article");
  c = { root, past: [] };
  for (const [key, tag] of [["name", "h2"], ["word", "p"], ["advice", "p"], ["reasons", "ul"], ["facts", "dl"], ["strip", "canvas"], ["share", "p"], ["map", "canvas"]]) {
    c[key] = document.createElement(tag);
    c[key].className = key;
    root.append(c[key]);
  }
  c.name.textContent = name;
  document.getElementById("cars").append(root);
  cards.set(name, c);
  return c;
}

function paint(s) {
  const c = card(s.car);
  c.root.className = s.usable ? "good" : s.verdict === "coasting" ? "warn" : "";
  c.word.textContent = s.word;
  let advice = s.heard ? s.verdict + ": " + s.advice.replace("_", " ") : "not usable: " + s.why;
  if (s.heard && s.cap_mps !== null) advice += ", at most " + Math.floor(s.cap_mps) + " m/s";
  if (s.leave_s !== null && s.verdict === "coasting") advice += ", hand over in " + Math.max(0, s.leave_s).toFixed(1) + " s";
  c.advice.textContent = advice;
  c.reasons.replaceChildren(...s.reasons.map(r => Object.assign(document.createElement("li"), { textContent: r })));
  const facts = s.heard ? [
    ["speed", num(s.speed_mps, 1, "m/s")],
    ["across", of(s.pl_lat_m, s.al_lat_m)],
    ["along", of(s.pl_lon_m, s.al_lon_m)],
    ["coast budget", num(s.coast_s, 1, "s")],
    ["receiver", s.quality],
    ["corrections", num(s.age_s, 1, "s old") + ", link " + s.link],
  ] : [];
  c.facts.replaceChildren(...facts.flatMap(([k, v]) => [
    Object.assign(document.createElement("dt"), { textContent: k }),
    Object.assign(document.createElement("dd"), { textContent: v }),
  ]));
  if (s.t !== null) remember(c, [s.t, s.verdict, s.lat_deg, s.lon_deg]);
  drawStrip(c);
  draw(c, s);
}

// The last five minutes of a car, a moment a second: time, verdict, latitude, longitude.
const pastS = 300;

function remember(c, m) {
  const last = c.past.at(-1);
  if (last && m[0] - last[0] < 1) {
    if (m[0] < last[0] - 1) c.past = [];
    return;
  }
  c.past.push(m);
  while (c.past[0][0] < m[0] - pastS) c.past.shift();
}

function fit(box) {
  const scale = devicePixelRatio || 1, w = box.clientWidth * scale, h = box.clientHeight * scale;
  if (box.width !== w || box.height !== h) { box.width = w; box.height = h; }
  const g = box.getContext("2d");
  g.clearRect(0, 0, w, h);
  return [g, w, h, scale];
}

function drawStrip(c) {
  const [g, w, h] = fit(c.strip), style = getComputedStyle(document.documentElement);
  if (!c.past.length) return;
  const end = c.past.at(-1)[0];
  let usable = 0;
  c.past.forEach(([t, verdict]) => {
    g.fillStyle = style.getPropertyValue(verdict === "usable" ? "--good" : verdict === "coasting" ? "--warn" : "--bad");
    const low = verdict === "usable" ? 0 : verdict === "coasting" ? 0.3 : 0.6; // told by height as well as by colour
    g.fillRect(Math.floor(w * (1 - (end - t + 1) / pastS)), h * low, Math.ceil(w / pastS) + 1, h * (1 - low));
    usable += verdict === "usable";
  });
  c.share.textContent = "usable in " + usable + " of the last " + pastS + " s" + (c.past.length < pastS ? ", " + c.past.length + " of them heard" : "");
}

function draw(c, s) {
  const [g, w, h, scale] = fit(c.map);
  const trail = c.past.filter(m => m[2] !== null).map(m => [m[2], m[3]]);
  if (s.lat_deg !== null) trail.push([s.lat_deg, s.lon_deg]);
  const all = line.concat(trail);
  if (all.length < 2) return;
  const cos = Math.cos(all[0][0] * Math.PI / 180);
  const xs = all.map(p => p[1] * cos), ys = all.map(p => p[0]);
  const x0 = Math.min(...xs), x1 = Math.max(...xs), y0 = Math.min(...ys), y1 = Math.max(...ys);
  const k = 0.88 * Math.min(w / Math.max(x1 - x0, 1e-6), h / Math.max(y1 - y0, 1e-6));
  const at = p => [w / 2 + k * (p[1] * cos - (x0 + x1) / 2), h / 2 - k * (p[0] - (y0 + y1) / 2)];
  const style = getComputedStyle(document.documentElement);
  const stroke = (pts, colour, wide) => {
    g.strokeStyle = style.getPropertyValue(colour);
    g.lineWidth = wide * scale;
    g.beginPath();
    pts.forEach((p, i) => { const [x, y] = at(p); i ? g.lineTo(x, y) : g.moveTo(x, y); });
    g.stroke();
  };
  stroke(line, "--edge", 6);
  stroke(trail, "--quiet", 2);
  if (s.lat_deg === null) return;
  const [x, y] = at([s.lat_deg, s.lon_deg]);
  g.fillStyle = style.getPropertyValue(s.usable ? "--good" : s.verdict === "coasting" ? "--warn" : "--bad");
  g.beginPath();
  if (s.yaw_rad === null) g.arc(x, y, 6 * scale, 0, 7);
  else for (const [a, r] of [[0, 11], [2.5, 8], [-2.5, 8]]) g.lineTo(x + r * scale * Math.cos(s.yaw_rad + a), y - r * scale * Math.sin(s.yaw_rad + a));
  g.fill();
}

// what was before this page was opened
fetch("past").then(r => r.json()).then(all => {
  for (const [name, past] of Object.entries(all)) {
    const c = card(name), own = c.past;
    c.past = [];
    past.concat(own).forEach(m => remember(c, m));
  }
}).catch(() => {});
fetch("map").then(r => r.json()).then(pts => { line = pts; }).catch(() => {});
const source = new EventSource("state");
source.onmessage = e => {
  const st = JSON.parse(e.data);
  heard = performance.now();
  lost();
  document.getElementById("bus").textContent = st.bus + ".";
  document.getElementById("build").textContent = st.build + ".";
  document.getElementById("none").hidden = st.cars.length > 0;
  st.cars.forEach(paint);
};
