"use strict";
// Makes the plots of the page zoom: each stands there as a picture already, which stays for print,
// for a browser without scripts and for a screen reader.
(() => {
  const DASHES = [[], [10, 4], [4, 3], [10, 4, 3, 4], [2, 2], [16, 5]];
  const COLOURS = ["#0072B2", "#D55E00", "#009E73", "#CC79A7", "#56B4E9", "#E69F00"];
  const IN_THE_DARK = ["#56B4E9", "#E69F00", "#4FC59F", "#E6A5CB", "#9AD3F3", "#F0C674"];
  const RAISED = {
    "-": "⁻", 0: "⁰", 1: "¹", 2: "²", 3: "³", 4: "⁴", 5: "⁵", 6: "⁶", 7: "⁷", 8: "⁸", 9: "⁹",
  };
  const dark = matchMedia("(prefers-color-scheme: dark)");
  const style = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  const groups = {};

  // uPlot draws lines over one common, ascending x. A curve here may go back and forth, and each
  // has an x of its own: so the lines are drawn here, point by point.
  function line(u, seriesIdx) {
    const [xs, ys] = u.data[seriesIdx], series = u.series[seriesIdx], ctx = u.ctx;
    ctx.save();
    ctx.beginPath();
    ctx.rect(u.bbox.left, u.bbox.top, u.bbox.width, u.bbox.height);
    ctx.clip();
    ctx.beginPath();
    ctx.strokeStyle = series.colour;
    ctx.lineWidth = 1.6 * devicePixelRatio;
    ctx.setLineDash(series.dashes.map((length) => length * devicePixelRatio));
    let down = false;
    for (let k = 0; k < xs.length; k++) {
      if (xs[k] === null || ys[k] === null) { down = false; continue; }
      const x = u.valToPos(xs[k], "x", true), y = u.valToPos(ys[k], "y", true);
      if (!Number.isFinite(x) || !Number.isFinite(y)) { down = false; continue; }
      if (down) ctx.lineTo(x, y); else ctx.moveTo(x, y);
      down = true;
    }
    ctx.stroke();
    if (xs.length <= 60) {
      ctx.fillStyle = series.colour;
      ctx.setLineDash([]);
      for (let k = 0; k < xs.length; k++) {
        if (xs[k] === null || ys[k] === null) continue;
        ctx.beginPath();
        ctx.arc(u.valToPos(xs[k], "x", true), u.valToPos(ys[k], "y", true),
          2.5 * devicePixelRatio, 0, 2 * Math.PI);
        ctx.fill();
      }
    }
    ctx.restore();
    return null;
  }

  function levels(u, plot) {
    const ctx = u.ctx, ratio = devicePixelRatio;
    ctx.save();
    ctx.strokeStyle = ctx.fillStyle = style("--soft");
    ctx.font = `${12 * ratio}px system-ui, sans-serif`;
    ctx.textAlign = "right";
    ctx.textBaseline = "bottom";
    ctx.setLineDash([18 * ratio, 4 * ratio, 3 * ratio, 4 * ratio]);
    for (const level of plot.levels) {
      const y = u.valToPos(level.value, "y", true);
      if (y < u.bbox.top || y > u.bbox.top + u.bbox.height) continue;
      ctx.beginPath();
      ctx.moveTo(u.bbox.left, y);
      ctx.lineTo(u.bbox.left + u.bbox.width, y);
      ctx.stroke();
      // Beside its line, within the frame; its letters have an edge that no curve goes through.
      const right = u.bbox.left + u.bbox.width - 4 * ratio;
      const foot = y - u.bbox.top < 16 * ratio ? y + 17 * ratio : y - 3 * ratio;
      ctx.save();
      ctx.setLineDash([]);
      ctx.lineWidth = 4 * ratio;
      ctx.lineJoin = "round";
      ctx.strokeStyle = style("--paper");
      ctx.strokeText(level.name, right, foot);
      ctx.restore();
      ctx.fillText(level.name, right, foot);
    }
    ctx.restore();
  }

  // What stands along an axis. uPlot's own figures end at the third place behind the point.
  function marks(u, splits, place, space, step) {
    const there = splits.filter((value) => value !== null);
    if (u.scales[u.axes[place].scale].distr === 3) {
      const short = there.every((value) => value >= 0.001 && value < 10000);
      const told = (value) => short ? plain(`${Number(value.toPrecision(6))}`) : power(value);
      return splits.map((value) => value === null ? null : told(value));
    }
    let places = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
    // A step of 0.25 has one place more than its size tells.
    if (Math.abs(step * 10 ** places - Math.round(step * 10 ** places)) > 1e-6) places += 1;
    return splits.map((value) => value === null ? null : plain(value.toFixed(places)));
  }

  function plain(text) {
    return Number(text) === 0 ? "0" : text.replace("-", "\u2212");
  }

  function longest(texts) {
    return Math.max(0, ...texts.map((text) => text === null ? 0 : text.length));
  }

  // 0.002 as "2·10⁻³".
  function power(value) {
    const size = Math.floor(Math.log10(value) + 1e-9);
    const first = Number((value / 10 ** size).toPrecision(3));
    const raised = `${size}`.replace(/./g, (sign) => RAISED[sign]);
    return `${first === 1 ? "" : `${first}·`}10${raised}`;
  }

  // The whole of what is shown: of every curve, and of the lines across.
  function whole(plot, key, logarithmic) {
    let low = Infinity, high = -Infinity;
    const take = (value) => {
      if (value === null || (logarithmic && value <= 0)) return;
      low = Math.min(low, value);
      high = Math.max(high, value);
    };
    for (const curve of plot.curves) curve[key].forEach(take);
    if (key === "y") plot.levels.forEach((level) => take(level.value));
    if (!(low <= high)) return [logarithmic ? 0.1 : 0, 1];
    if (logarithmic) return low < high ? [low / 1.3, high * 1.3] : [low / 2, high * 2];
    const room = 0.04 * (high - low) || Math.abs(high) * 0.05 || 1;
    return [low - room, high + room];
  }

  function build(figure) {
    const plot = JSON.parse(figure.querySelector("script").textContent);
    const place = figure.querySelector(".canvas");
    const colours = dark.matches ? IN_THE_DARK : COLOURS;
    const ends = {
      x: whole(plot, "x", plot.x.logarithmic), y: whole(plot, "y", plot.y.logarithmic),
    };
    // Figures of many digits need room: beside the axis upwards, between them along the one across.
    const wide = (u, values) => Math.max(62, 7 * longest(values ?? []) + 16);
    const axis = (what, size, space) => ({
      label: what.label, stroke: style("--ink"), grid: { stroke: style("--grid") },
      ticks: { stroke: style("--grid") }, size, values: marks, space,
      font: "12px system-ui, sans-serif", labelFont: "13px system-ui, sans-serif", labelSize: 22,
    });
    const scale = (what, key) => ({
      time: false, distr: what.logarithmic ? 3 : 1, auto: false, range: (u, low, high) =>
        low === null || high === null ? ends[key] : [low, high],
    });
    const options = {
      mode: 2, width: place.clientWidth, height: 340, legend: { show: false },
      cursor: { drag: { x: true, y: true, uni: 30, setScale: true }, points: { show: false } },
      scales: { x: scale(plot.x, "x"), y: scale(plot.y, "y") },
      axes: [axis(plot.x, 46, 60), axis(plot.y, wide, 30)],
      series: [{}, ...plot.curves.map((curve, k) => ({
        facets: [{ scale: "x", auto: true }, { scale: "y", auto: true }], paths: line,
        colour: colours[k % colours.length], dashes: DASHES[k % DASHES.length],
      }))],
      hooks: {
        draw: [(u) => levels(u, plot)],
        setScale: [(u, key) => {
          if (key !== "x" || !figure.dataset.group || figure.leading) return;
          for (const other of groups[figure.dataset.group]) {
            const { min, max } = u.scales.x, own = other.chart && other.chart.scales.x;
            if (other === figure || !own || (own.min === min && own.max === max)) continue;
            other.leading = true;
            other.chart.setScale("x", { min, max });
            other.leading = false;
          }
        }],
      },
    };
    const chart = new uPlot(options, [null, ...plot.curves.map((c) => [c.x, c.y])], place);
    figure.chart = chart;
    const show = (x, y) => {
      chart.batch(() => {
        chart.setScale("x", { min: x[0], max: x[1] });
        chart.setScale("y", { min: y[0], max: y[1] });
      });
    };
    show(ends.x, ends.y);
    chart.over.addEventListener("dblclick", () => show(ends.x, ends.y));
    // A part of what is shown: `from` and `to` are shares of it.
    const part = (key, from, to) => {
      const { min, max } = chart.scales[key];
      if (plot[key].logarithmic) {
        const by = Math.log(max / min);
        return [min * Math.exp(by * from), min * Math.exp(by * to)];
      }
      return [min + (max - min) * from, min + (max - min) * to];
    };
    const y = () => [chart.scales.y.min, chart.scales.y.max];
    figure.act = {
      closer: () => show(part("x", 0.25, 0.75), y()),
      farther: () => show(part("x", -0.5, 1.5), y()),
      back: () => show(part("x", -0.4, 0.6), y()),
      on: () => show(part("x", 0.4, 1.4), y()),
      whole: () => show(ends.x, ends.y),
    };
    for (const [k, key] of figure.querySelectorAll(".keys line").entries()) {
      key.setAttribute("stroke", colours[k % colours.length]);
    }
  }

  const figures = [...document.querySelectorAll("figure.zooms")];
  document.documentElement.classList.add("js");
  for (const figure of figures) {
    const group = figure.dataset.group;
    if (group) (groups[group] ??= []).push(figure);
    for (const button of figure.querySelectorAll("button")) {
      button.addEventListener("click", () => figure.act[button.dataset.act]());
    }
    build(figure);
  }
  const again = () => {
    for (const figure of figures) {
      figure.chart.destroy();
      build(figure);
    }
  };
  dark.addEventListener("change", again);
  let width = innerWidth;
  addEventListener("resize", () => {
    if (innerWidth !== width) { width = innerWidth; again(); }
  });
})();
