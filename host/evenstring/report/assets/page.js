// Values under the pointer, one group held up, time zoomed. The pictures are complete without any of this.
(function () {
  "use strict";
  var W = 20000, H = 4000;
  var figures = Array.from(document.querySelectorAll("figure[data-timed]"));
  if (!figures.length) return;
  var plots = figures.map(read);
  var from = 0, to = 1; // shown part of the time, shared by all timed pictures

  function el(tag, props, children) {
    var node = Object.assign(document.createElement(tag), props || {});
    (children || []).forEach(function (c) { node.append(c); });
    return node;
  }
  function read(figure) {
    var d = figure.dataset, area = figure.querySelector(".area");
    var cursor = el("div", { className: "cursor", hidden: true });
    area.append(cursor);
    return {
      figure: figure, area: area, cursor: cursor, svg: area.querySelector("svg"), unit: d.unit,
      x0: +d.x0, x1: +d.x1, y0: +d.y0, y1: +d.y1, bend: d.bend ? +d.bend : 0,
      ticks: area.querySelectorAll(".xt"), spans: figure.querySelectorAll(".phases span"),
      lines: Array.from(figure.querySelectorAll("path.line")).filter(function (p) { return p.dataset.name; }), points: new Map()
    };
  }
  function points(plot, path) { // the path's own numbers, read once
    var known = plot.points.get(path);
    if (known) return known;
    known = [];
    path.getAttribute("d").split("M").forEach(function (run) {
      var n = (run.match(/-?\d+/g) || []).map(Number);
      if (n.length < 2) return;
      var x = n[0], y = n[1];
      known.push([x, y, true]);
      if (run.indexOf("h") >= 0) return;
      for (var i = 2; i + 1 < n.length; i += 2) { x += n[i]; y += n[i + 1]; known.push([x, y, false]); }
    });
    plot.points.set(path, known);
    return known;
  }
  function near(plot, path, x) {
    var p = points(plot, path), low = 0, high = p.length - 1;
    if (high < 0) return null;
    while (high - low > 1) { var mid = (low + high) >> 1; if (p[mid][0] <= x) low = mid; else high = mid; }
    var best = Math.abs(p[low][0] - x) <= Math.abs(p[high][0] - x) ? p[low] : p[high];
    return Math.abs(best[0] - x) > W * (to - from) / 40 ? null : best;
  }
  function value(plot, y) {
    var part = 1 - y / H;
    if (!plot.bend) return plot.y0 + part * (plot.y1 - plot.y0);
    var a = Math.asinh(plot.y0 / plot.bend), b = Math.asinh(plot.y1 / plot.bend);
    return plot.bend * Math.sinh(a + part * (b - a));
  }
  function clock(s) {
    s = Math.max(Math.round(s), 0);
    var h = Math.floor(s / 3600), m = Math.floor(s / 60) % 60, two = function (n) { return (n < 10 ? "0" : "") + n; };
    return h + ":" + two(m) + ":" + two(s % 60);
  }
  function show() {
    plots.forEach(function (plot) {
      plot.svg.setAttribute("viewBox", from * W + " 0 " + (to - from) * W + " " + H);
      plot.spans.forEach(function (s) {
        var a = Math.max((s.dataset.from - from) / (to - from), 0), b = Math.min((s.dataset.to - from) / (to - from), 1);
        s.hidden = b <= a;
        s.style.left = 100 * a + "%";
        s.style.width = 100 * Math.max(b - a, 0) + "%";
      });
      plot.ticks.forEach(function (t) { // the same marks, with the times of what is shown
        if (t.dataset.home === undefined) t.dataset.home = t.textContent;
        var whole = from === 0 && to === 1;
        t.textContent = whole ? t.dataset.home : clock(plot.x0 + (from + t.dataset.at * (to - from)) * (plot.x1 - plot.x0));
      });
    });
  }
  function zoom(a, b) {
    var width = Math.min(Math.max(b - a, 0.002), 1);
    from = Math.min(Math.max(a, 0), 1 - width);
    to = from + width;
    show();
  }
  function tell(plot, part, y) {
    var x = (from + part * (to - from)) * W, time = plot.x0 + (x / W) * (plot.x1 - plot.x0);
    plots.forEach(function (one) { one.cursor.hidden = false; one.cursor.style.left = 100 * part + "%"; });
    var held = plot.lines.find(function (l) { return l.classList.contains("pick"); }), best = null;
    (held ? [held] : plot.lines).forEach(function (line) {
      var p = near(plot, line, x);
      if (!p) return;
      var away = y === null ? (line.classList.contains("quiet") ? 1 : 0) : Math.abs(p[1] - y * H);
      if (!best || away < best.away) best = { away: away, line: line, at: p };
    });
    var text = clock(time);
    if (best) text += " · " + best.line.dataset.name + " " + (Math.round(value(plot, best.at[1]) * 10) / 10).toLocaleString("en") + " " + plot.unit;
    plot.out.textContent = text;
  }
  function hold(name) {
    plots.forEach(function (plot) {
      var any = false;
      plot.lines.forEach(function (l) { var is = l.dataset.name === name; l.classList.toggle("pick", is); any = any || is; });
      plot.svg.classList.toggle("held", any);
      plot.lines.filter(function (l) { return l.dataset.name === name; }).forEach(function (l) { l.parentNode.append(l); });
    });
  }
  function tools(plot) {
    var at = el("input", { type: "range", min: 0, max: 1000, value: 500 });
    at.addEventListener("input", function () { tell(plot, at.value / 1000, null); });
    plot.out = el("output");
    var main = plot.figure.id === "picture-levels"; // the others follow its zoom and need only the reading
    var bar = el("div", { className: "tools" }, [el("label", {}, ["read at ", at])]);
    var names = Array.from(new Set(plot.lines.map(function (l) { return l.dataset.name; })));
    if (names.length > 1 && main) {
      names.sort(function (a, b) { return a.localeCompare(b, "en", { numeric: true }); });
      var pick = el("select", {}, ["all groups"].concat(names).map(function (n, i) { return el("option", { value: i ? n : "", textContent: n }); }));
      pick.addEventListener("change", function () { hold(pick.value); });
      bar.append(el("label", {}, ["follow ", pick]));
    }
    (main ? [["closer", 0.25], ["wider", -0.5]] : []).forEach(function (b) {
      var button = el("button", { type: "button", textContent: b[0] });
      button.addEventListener("click", function () {
        var mid = plot.cursor.hidden ? 0.5 : parseFloat(plot.cursor.style.left) / 100, w = to - from, cut = w * b[1];
        zoom(from + 2 * cut * mid, to - 2 * cut * (1 - mid));
      });
      bar.append(button);
    });
    var all = el("button", { type: "button", textContent: "all of it" });
    all.addEventListener("click", function () { zoom(0, 1); });
    if (main) bar.append(all);
    bar.append(plot.out);
    plot.figure.querySelector(".plot").after(bar);
  }
  function pointer(plot) {
    var start = null, sweep = el("div", { className: "sweep", hidden: true });
    plot.area.append(sweep);
    function part(e) { var r = plot.area.getBoundingClientRect(); return Math.min(Math.max((e.clientX - r.left) / r.width, 0), 1); }
    plot.area.addEventListener("pointermove", function (e) {
      var r = plot.area.getBoundingClientRect(), x = part(e);
      tell(plot, x, (e.clientY - r.top) / r.height);
      if (start === null) return;
      sweep.hidden = false;
      sweep.style.left = 100 * Math.min(start, x) + "%";
      sweep.style.width = 100 * Math.abs(x - start) + "%";
    });
    plot.area.addEventListener("pointerdown", function (e) { if (e.pointerType === "mouse") start = part(e); });
    window.addEventListener("pointerup", function (e) {
      if (start === null) return;
      var a = Math.min(start, part(e)), b = Math.max(start, part(e)), w = to - from;
      start = null;
      sweep.hidden = true;
      if (b - a > 0.01) zoom(from + a * w, from + b * w);
    });
    plot.area.addEventListener("dblclick", function () { zoom(0, 1); });
  }
  plots.forEach(function (plot) { tools(plot); pointer(plot); });
})();
