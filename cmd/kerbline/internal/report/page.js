// The page is whole without this script. It lets one choose which lap is enlarged,
// links the figures by time, and zooms the enlarged ones. It fetches nothing.
(() => {
  const all = (query, within) => [...within.querySelectorAll(query)];
  const pad = n => String(n).padStart(2, "0");
  const clock = s => { const t = Math.floor((s % 86400 + 86400) % 86400); return pad(Math.floor(t / 3600)) + ":" + pad(Math.floor(t / 60) % 60) + ":" + pad(t % 60); };
  const svgNS = document.querySelector("svg").namespaceURI;

  for (const sheet of all(".sheet", document)) {
    const pieces = all(".piece", sheet);
    if (!pieces.length) continue;
    const bar = sheet.querySelector(".choose"), select = bar.querySelector("select"), read = sheet.querySelector(".read");
    bar.hidden = read.hidden = false;
    sheet.classList.add("linked");
    const data = svg => ({ a: +svg.dataset.a, b: +svg.dataset.b, l: +svg.dataset.l, w: +svg.dataset.w });
    const timed = all("svg[data-a]", sheet), ways = all("svg[data-way]", sheet);
    const home = new Map([...timed, ...ways].map(svg => [svg, svg.getAttribute("viewBox").split(" ").map(Number)]));
    let shown = pieces.findIndex(p => !p.hidden), zoom = 1, now = NaN;

    // where returns the place of the car at t in a figure of its way, null outside.
    const where = (svg, t) => {
      let best = null, far = 2;
      for (const p of svg.dataset.way.split(" ")) {
        const [x, px, py] = p.split(",").map(Number), d = Math.abs(x - t);
        if (d < far) { far = d; best = [px, py, x]; }
      }
      return best;
    };
    const mark = (svg, name, attributes) => {
      let e = svg.querySelector(".cursor");
      if (!e) { e = document.createElementNS(svgNS, name); e.setAttribute("class", "cursor"); svg.append(e); }
      for (const k in attributes) e.setAttribute(k, attributes[k]);
    };
    const clear = svg => { const e = svg.querySelector(".cursor"); if (e) e.remove(); };

    const point = t => {
      now = t;
      for (const svg of timed) {
        const d = data(svg);
        if (t < d.a || t > d.b) { clear(svg); continue; }
        const x = d.l + d.w * (t - d.a) / (d.b - d.a);
        mark(svg, "line", { x1: x, x2: x, y1: 16, y2: home.get(svg)[3] - 18 });
      }
      for (const svg of ways) {
        const p = where(svg, t);
        if (p) mark(svg, "circle", { cx: p[0], cy: p[1], r: 7 / zoom }); else clear(svg);
      }
      const utc = +sheet.dataset.utc + t;
      let text = clock(utc) + " " + sheet.dataset.zone;
      if (sheet.dataset.letters) text += " (" + clock(utc + +sheet.dataset.ahead) + " " + sheet.dataset.letters + ")";
      read.textContent = text + ", " + t.toFixed(1) + " s after the first verdict line";
    };

    // look sets what the figures of the shown piece show: all, or about the mark.
    const look = () => {
      for (const svg of all("svg", pieces[shown])) {
        const h = home.get(svg);
        if (!h) continue;
        const w = h[2] / zoom, v = h[3] / zoom;
        let c = [h[2] / 2, h[3] / 2];
        if (!Number.isNaN(now)) {
          const d = data(svg), p = svg.dataset.way ? where(svg, now) : null;
          if (p) c = p;
          else if (!svg.dataset.way) c = [d.l + d.w * (now - d.a) / (d.b - d.a), h[3] / 2];
        }
        const x = Math.min(Math.max(c[0] - w / 2, 0), h[2] - w), y = Math.min(Math.max(c[1] - v / 2, 0), h[3] - v);
        svg.setAttribute("viewBox", [x, y, w, v].map(n => n.toFixed(2)).join(" "));
      }
    };
    const show = i => {
      zoom = 1;
      look();
      shown = Math.min(Math.max(i, 0), pieces.length - 1);
      pieces.forEach((p, k) => { p.hidden = k !== shown; });
      select.value = String(shown);
      const from = +pieces[shown].dataset.from, to = +pieces[shown].dataset.to;
      if (now < from || now > to) now = NaN;
    };
    select.onchange = () => show(+select.value);
    bar.onclick = e => {
      const act = e.target.dataset.do;
      if (act === "before" || act === "after") show(shown + (act === "after" ? 1 : -1));
      if (act === "closer") zoom = Math.min(16, zoom * 2);
      if (act === "wider") zoom = Math.max(1, zoom / 2);
      if (act === "whole") zoom = 1;
      if (act) { look(); if (!Number.isNaN(now)) point(now); }
    };

    // at returns the time under the pointer, NaN where there is none.
    const at = (svg, e) => {
      const m = svg.getScreenCTM();
      if (!m) return NaN;
      const p = new DOMPoint(e.clientX, e.clientY).matrixTransform(m.inverse());
      if (svg.dataset.way) {
        let best = NaN, far = 24 / zoom;
        for (const q of svg.dataset.way.split(" ")) {
          const [x, px, py] = q.split(",").map(Number), d = Math.hypot(px - p.x, py - p.y);
          if (d < far) { far = d; best = x; }
        }
        return best;
      }
      const d = data(svg), k = (p.x - d.l) / d.w;
      return k < 0 || k > 1 ? NaN : d.a + k * (d.b - d.a);
    };
    for (const svg of [...timed, ...ways]) {
      svg.addEventListener("pointermove", e => { const t = at(svg, e); if (!Number.isNaN(t)) point(t); });
      svg.addEventListener("click", e => {
        const t = at(svg, e);
        if (Number.isNaN(t) || svg.closest(".piece")) return;
        const i = pieces.findIndex(p => t >= +p.dataset.from && t < +p.dataset.to);
        if (i < 0) return;
        show(i);
        point(t);
        sheet.querySelector(".enlarged").scrollIntoView({ block: "start" });
      });
    }
  }
})();
