"use strict";
(function () {
  const data = JSON.parse(document.getElementById("data").textContent);
  const layers = data.layers || [];
  const NS = "http://www.w3.org/2000/svg";
  const [LAYER, TOOL, START, Z, P10, P50, P90] = [0, 1, 2, 3, 4, 5, 6];
  const byId = (id) => document.getElementById(id);

  function span(seconds) {
    let whole = Math.round(seconds);
    for (const [unit, name, small, word] of [[86400, "d", 3600, "h"], [3600, "h", 60, "min"], [60, "min", 1, "s"]]) {
      if (whole >= unit) return Math.floor(whole / unit) + " " + name + " " + Math.floor((whole % unit) / small) + " " + word;
    }
    return whole + " s";
  }
  function clock(seconds) {
    return new Date((data.at + seconds) * 1000).toLocaleString("en-GB", { weekday: "short", hour: "2-digit", minute: "2-digit" });
  }
  function wet(value) {
    return value < 1 ? value.toFixed(3) : value.toFixed(2);
  }
  function standing(row) {
    const limits = data.limits[row[TOOL]];
    if (!limits || row[P50] === null) return "";
    return row[P50] <= limits[0] ? "good" : row[P50] <= limits[1] ? "marginal" : "too wet";
  }
  function lines(row) {
    const said = [(row[LAYER] ? "layer " + row[LAYER] : "before layer 1") + (row[Z] === null ? "" : ", " + row[Z].toFixed(2) + " mm"),
      "after " + span(row[START]) + ", " + clock(row[START])];
    if (row[P50] === null) said.push(data.limits[row[TOOL]] ? "the reel is empty by then" : "content not known");
    else {
      said.push(wet(row[P50]) + " wt %, " + standing(row));
      if (row[P10] !== null && row[P90] !== null) said.push(wet(row[P10]) + " to " + wet(row[P90]));
    }
    return said;
  }

  function colour(row) {
    const [colours, band, top, none] = data.scale;
    const limits = data.limits[row[TOOL]];
    if (!limits || row[P50] === null || !(limits[1] > 0)) return none;
    const edges = [0, limits[0], limits[1], top * limits[1]];
    const at = row[P50] <= limits[0] ? 0 : row[P50] <= limits[1] ? 1 : 2;
    const share = edges[at + 1] > edges[at] ? (row[P50] - edges[at]) / (edges[at + 1] - edges[at]) : 0;
    return colours[band * at + Math.min(band - 1, Math.max(0, Math.floor(share * band)))];
  }

  // ---- charts: the same picture that stands without scripts; values are read off by its frame
  const charts = [];
  for (const figure of document.querySelectorAll(".chart")) {
    const tool = Number(figure.dataset.tool);
    const own = layers.map((row, place) => place).filter((place) => layers[place][TOOL] === tool && layers[place][P50] !== null);
    if (!own.length) continue;
    const tip = figure.appendChild(document.createElement("div"));
    tip.className = "tip";
    tip.hidden = true;
    figure.tabIndex = 0;
    figure.setAttribute("role", "group");
    figure.setAttribute("aria-label", "Chart; left and right arrow keys choose a layer");
    const pictures = [["w", ".wide svg"], ["n", ".narrow svg"]].map(([size, query]) => {
      const svg = figure.querySelector(query);
      const frame = data.charts[tool][size];
      const mark = (name, shape) => {
        const made = svg.appendChild(document.createElementNS(NS, shape));
        made.setAttribute("class", name);
        made.setAttribute("visibility", "hidden");
        return made;
      };
      const picture = { svg, frame, cursor: mark("cursor", "path"), chosen: mark("chosen", "path"), dot: mark("dot", "circle") };
      picture.dot.setAttribute("r", "4.5");
      svg.addEventListener("pointermove", (event) => hover(picture, event));
      svg.addEventListener("pointerdown", (event) => hover(picture, event));
      svg.addEventListener("pointerleave", () => {
        tip.hidden = true;
        picture.cursor.setAttribute("visibility", "hidden");
        picture.dot.setAttribute("visibility", "hidden");
      });
      svg.addEventListener("click", (event) => choose(nearest(picture, event)));
      return picture;
    });
    function middle(place) {
      const at = own.indexOf(place);
      const begin = layers[place][START];
      const end = at + 1 < own.length ? layers[own[at + 1]][START] : begin;
      return (begin + end) / 2;
    }
    function nearest(picture, event) {
      const box = picture.svg.getBoundingClientRect();
      const units = ((event.clientX - box.left) / box.width) * picture.svg.viewBox.baseVal.width;
      const frame = picture.frame;
      const share = Math.min(1, Math.max(0, (units - frame.left) / (frame.right - frame.left)));
      const at = (frame.first + share * (frame.last - frame.first)) * data.unit;
      let low = 0;
      let high = own.length - 1;
      while (low < high) {
        const half = (low + high + 1) >> 1;
        if (layers[own[half]][START] <= at) low = half;
        else high = half - 1;
      }
      return own[low];
    }
    function across(frame, place) {
      const share = (middle(place) / data.unit - frame.first) / (frame.last - frame.first);
      return frame.left + share * (frame.right - frame.left);
    }
    function hover(picture, event) {
      const place = nearest(picture, event);
      const frame = picture.frame;
      const x = across(frame, place);
      const y = frame.bottom - ((layers[place][P50] - frame.low) / (frame.high - frame.low)) * (frame.bottom - frame.top);
      picture.cursor.setAttribute("d", "M" + x + " " + frame.top + "V" + frame.bottom);
      picture.dot.setAttribute("cx", x);
      picture.dot.setAttribute("cy", y);
      picture.cursor.setAttribute("visibility", "visible");
      picture.dot.setAttribute("visibility", "visible");
      tip.textContent = "";
      for (const line of lines(layers[place])) tip.appendChild(document.createElement("div")).textContent = line;
      tip.hidden = false;
      const box = picture.svg.getBoundingClientRect();
      const scale = box.width / picture.svg.viewBox.baseVal.width;
      const left = x * scale;
      tip.style.left = Math.max(0, left > box.width / 2 ? left - tip.offsetWidth - 12 : left + 12) + "px";
      tip.style.top = Math.max(0, frame.top * scale + 4) + "px";
    }
    figure.addEventListener("keydown", (event) => {
      const step = { ArrowLeft: -1, ArrowRight: 1, PageDown: -10, PageUp: 10 }[event.key];
      if (!step) return;
      event.preventDefault();
      choose(Math.min(layers.length - 1, Math.max(0, (current ?? start) + step)));
    });
    charts.push({ tool, pictures, across });
  }

  // ---- layers: one choice for chart and part
  const picker = document.querySelector(".picker");
  let current = null;
  let start = 0;
  let worst = -1;
  layers.forEach((row, place) => {
    const limits = data.limits[row[TOOL]];
    const share = limits && row[P50] !== null ? row[P50] / limits[1] : 0;
    if (share > worst + 1e-9) [worst, start] = [share, place];
  });
  const slider = byId("layer");
  const above = byId("above");
  const level = byId("level");
  const front = byId("front");
  const strand = byId("strand");
  const paths = above ? [...above.querySelectorAll("path[data-n]")] : [];

  function choose(place) {
    if (!layers.length) return;
    current = place;
    const row = layers[place];
    for (const chart of charts) {
      for (const picture of chart.pictures) {
        const frame = picture.frame;
        const share = (row[START] / data.unit - frame.first) / (frame.last - frame.first);
        const x = row[TOOL] === chart.tool && row[P50] !== null ? chart.across(frame, place) : frame.left + share * (frame.right - frame.left);
        picture.chosen.setAttribute("d", "M" + x + " " + frame.top + "V" + frame.bottom);
        picture.chosen.setAttribute("visibility", "visible");
      }
    }
    if (!slider) return;
    slider.value = String(place);
    let kept = null;
    for (const path of paths) {
      const n = Number(path.dataset.n);
      if (kept === null || Math.abs(n - row[LAYER]) < Math.abs(kept - row[LAYER])) kept = n;
    }
    above.classList.add("picked");
    const drawn = paths.filter((path) => Number(path.dataset.n) === kept);
    strand.setAttribute("d", drawn.map((path) => path.getAttribute("d")).join(""));
    strand.setAttribute("stroke", colour(row));
    strand.setAttribute("visibility", "visible");
    if (row[Z] !== null && data.front) {
      const y = data.front.edge + (data.front.top - row[Z]) * data.front.scale;
      level.setAttribute("d", "M0 " + y + "H" + front.viewBox.baseVal.width);
      level.setAttribute("visibility", "visible");
    } else level.setAttribute("visibility", "hidden");
    const told = lines(row).join(" · ") + (kept !== null && kept !== row[LAYER] ? " · path of layer " + kept : "");
    byId("readout").textContent = told;
    slider.setAttribute("aria-valuetext", told);
  }
  function whole() {
    current = null;
    above.classList.remove("picked");
    level.setAttribute("visibility", "hidden");
    strand.setAttribute("visibility", "hidden");
    for (const chart of charts) for (const picture of chart.pictures) picture.chosen.setAttribute("visibility", "hidden");
    byId("readout").textContent = "The whole part. Move the slider, or click on a picture, to look at one layer.";
  }
  if (slider && layers.length) {
    slider.max = String(layers.length - 1);
    slider.value = String(start);
    picker.hidden = false;
    slider.addEventListener("input", () => choose(Number(slider.value)));
    byId("down").addEventListener("click", () => choose(Math.max(0, Number(slider.value) - 1)));
    byId("up").addEventListener("click", () => choose(Math.min(layers.length - 1, Number(slider.value) + 1)));
    byId("all").addEventListener("click", whole);
    front.addEventListener("click", (event) => {
      const box = front.getBoundingClientRect();
      const seen = front.viewBox.baseVal;
      const y = seen.y + ((event.clientY - box.top) / box.height) * seen.height;
      const z = data.front.top - (y - data.front.edge) / data.front.scale;
      let best = null;
      layers.forEach((row, place) => {
        if (row[Z] !== null && row[LAYER] > 0 && (best === null || Math.abs(row[Z] - z) < Math.abs(layers[best][Z] - z))) best = place;
      });
      if (best !== null) choose(best);
    });
    whole();
  }

  // ---- a command to copy, and what is folded on paper
  for (const button of document.querySelectorAll(".copy")) {
    const code = button.parentElement.querySelector("code");
    button.hidden = false;
    button.addEventListener("click", async () => {
      getSelection().selectAllChildren(code); // for those whose browser refuses: it is marked, and can be copied by hand
      let done = false;
      try {
        await navigator.clipboard.writeText(code.textContent);
        done = true;
      } catch {
        done = document.execCommand("copy");
      }
      button.textContent = done ? "Copied" : "Marked: copy it now";
    });
  }
  const folded = [...document.querySelectorAll("details.fold")];
  addEventListener("beforeprint", () => {
    for (const each of folded) [each.dataset.was, each.open] = [each.open ? "open" : "", true];
  });
  addEventListener("afterprint", () => {
    for (const each of folded) each.open = each.dataset.was === "open";
  });
})();
