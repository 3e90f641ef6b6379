// The sweep plot: displacement against crank degrees, forward and reverse, midline, residuals below.
// The server reduces a trace to what can be seen; every zoom asks for the window again, down to the samples.

const CONFIG = { displayModeBar: false, responsive: true, showSendToCloud: false, plotlyServerURL: "", scrollZoom: false };
const CREST_WINDOW_DEG = 8;
// A4 between the margins and the border of the sheet, in CSS pixels.
const PAPER_PX = { width: 660, height: 340 };
// The print colours of the style sheet: `beforeprint` comes before they hold.
const PAPER = { ground: "#ffffff", ink: "#000000", quiet: "#33383d", rule: "#9aa0a6", accent: "#12419a", zone: "#dbe5f5" };

const isPrinting = window.matchMedia("print");
const isDark = window.matchMedia("(prefers-color-scheme: dark)");

/** The colours that hold: those of paper, or of light or night from the style sheet. */
function colours(onPaper) {
  if (onPaper) return PAPER;
  const style = getComputedStyle(document.documentElement);
  const read = (name) => style.getPropertyValue(`--${name}`).trim();
  return Object.fromEntries(Object.keys(PAPER).map((name) => [name, read(name)]));
}

/** Sweeps as lines: forward full, reverse dashed, those not used dotted; the legend names each kind once. */
function sweepLines(data, colour, unit) {
  const named = new Set();
  return data.sweeps.map((sweep, index) => {
    const unused = sweep.used === false;
    const kind = unused ? "not used" : sweep.direction;
    const first = !named.has(kind);
    named.add(kind);
    return {
      x: sweep.angle_deg, y: sweep.lift_mm, mode: "lines", type: "scatter", name: kind, legendgroup: kind, showlegend: first,
      line: {
        color: unused ? colour.quiet : sweep.direction === "reverse" ? colour.accent : colour.ink,
        width: unused ? 1 : 1.5, dash: unused ? "dot" : sweep.direction === "reverse" ? "6px,3px" : "solid",
      },
      hovertemplate: `sweep ${index + 1}, ${sweep.direction}<br>%{x:.3f}°<br>%{y:.4f} ${unit}<extra></extra>`,
    };
  });
}

function midlines(data, colour, unit) {
  return (data.midline ?? []).map((line, index) => ({
    x: line.middle_deg, y: line.lift_mm, mode: "markers", type: "scatter", name: "midline", legendgroup: "midline",
    showlegend: index === 0,
    marker: { size: 4, color: colour.ground, line: { width: 1, color: line.direction === "reverse" ? colour.accent : colour.ink } },
    hovertemplate: `middle of the flanks, ${line.direction}<br>%{x:.3f}°<br>%{y:.4f} ${unit}<extra></extra>`,
  }));
}

function residuals(data, colour, unit) {
  const found = data.residuals ?? { angle_deg: [], residual_mm: [] };
  return {
    x: found.angle_deg, y: found.residual_mm, yaxis: "y2", mode: "markers", type: "scatter", name: "residual", showlegend: false,
    marker: { size: 2.5, color: colour.quiet },
    hovertemplate: `residual<br>%{x:.3f}°<br>%{y:.5f} ${unit}<extra></extra>`,
  };
}

const upright = (x, line) => ({ type: "line", xref: "x", yref: "paper", x0: x, x1: x, y0: 0, y1: 1, line });

/** Crest as found, and where it may stand: the target is carried to the nearest turn and back to the crest. */
function marks(data, colour) {
  const { crest_deg: crest, reference_deg: reference, target_deg: target, tolerance_deg: tolerance } = data;
  if (crest == null || reference == null) return { shapes: [], annotations: [] };
  const turn = 360 * Math.round((reference - target) / 360);
  const wanted = target + turn - (reference - crest);
  const label = (x, text, anchor) => ({
    x, xref: "x", y: 1, yref: "paper", yanchor: "bottom", xanchor: anchor, text, showarrow: false, font: { color: colour.ink },
  });
  return {
    shapes: [
      { type: "rect", xref: "x", yref: "paper", x0: wanted - tolerance, x1: wanted + tolerance, y0: 0, y1: 1, fillcolor: colour.zone, line: { width: 0 }, layer: "below" },
      upright(wanted, { color: colour.accent, width: 1, dash: "12px,3px,2px,3px" }),
      upright(crest, { color: colour.ink, width: 1 }),
    ],
    annotations: [label(crest, crest < wanted ? "crest " : " crest", crest < wanted ? "right" : "left"),
      label(wanted, crest < wanted ? " target" : "target ", crest < wanted ? "left" : "right")],
  };
}

function axis(colour, title, more) {
  return {
    title: { text: title, standoff: 8 }, color: colour.ink, gridcolor: colour.rule, linecolor: colour.ink, showline: true, mirror: true,
    zeroline: false, ticks: "inside", ...more,
  };
}

/** An axis without a point has no range of its own. */
const emptyRange = (found) => (found.angle_deg.length ? {} : { range: [-1, 1] });

function layout(data, colour, unit, range, size, below) {
  return {
    paper_bgcolor: colour.ground, plot_bgcolor: colour.ground, margin: { l: 76, r: 16, t: 40, b: 56 }, hovermode: "closest", dragmode: "zoom",
    font: { family: "Atkinson Hyperlegible, sans-serif", size: size.autosize ? 15 : 12, color: colour.ink },
    xaxis: axis(colour, `${data.angle_on ?? "encoder"}, crank degrees`, { anchor: below ? "y2" : "y", mirror: "all", ...(range ? { range } : { autorange: true }) }),
    yaxis: axis(colour, `displacement, ${unit}`, { domain: [below ? 0.34 : 0, 1], fixedrange: true }),
    ...(below && { yaxis2: axis(colour, `residual, ${unit}`, { domain: [0, 0.24], fixedrange: true, zeroline: true, zerolinecolor: colour.ink, ...emptyRange(data.residuals) }) }),
    legend: { orientation: "h", x: 1, xanchor: "right", y: 1.02, yanchor: "bottom", itemclick: false, itemdoubleclick: false },
    hoverlabel: { bgcolor: colour.ground, bordercolor: colour.ink, font: { color: colour.ink, family: "Atkinson Hyperlegible, sans-serif" } },
    ...marks(data, colour), ...size,
  };
}

const degrees = (value) => `${value.toFixed(2)}°`.replace("-", "−");

function sweepPlot(place) {
  const figure = place.closest("figure");
  const status = figure?.querySelector("[data-plot-status]");
  let data = null;
  let range = null;
  let asking = null;
  let timer = 0;
  let onPaper = isPrinting.matches;

  const say = (text) => { if (status) status.textContent = text; };
  const unitOf = () => data.lift_unit ?? "mm";
  const draw = () => {
    if (!data) return;
    const colour = colours(onPaper);
    const unit = unitOf();
    const below = data.residuals != null; // readings by hand have none
    const lines = [...sweepLines(data, colour, unit), ...midlines(data, colour, unit), ...(below ? [residuals(data, colour, unit)] : [])];
    const size = onPaper ? { ...PAPER_PX, autosize: false } : { autosize: true };
    place.classList.add("drawn");
    return window.Plotly.react(place, lines, layout(data, colour, unit, range, size, below), CONFIG);
  };
  const describe = () => {
    const angles = data.sweeps.flatMap((sweep) => [sweep.angle_deg[0], sweep.angle_deg.at(-1)]).filter(Number.isFinite);
    if (!angles.length) return "No sample lies in this window.";
    const [low, high] = range ?? [Math.min(...angles), Math.max(...angles)];
    return `${degrees(low)} to ${degrees(high)} of the crank. Drag across a part, or use the buttons, to look closer.`;
  };
  const ask = async () => {
    asking?.abort();
    asking = new AbortController();
    const address = new URL(place.dataset.plotUrl, window.location.href);
    if (range) {
      address.searchParams.set("from", range[0].toFixed(5));
      address.searchParams.set("to", range[1].toFixed(5));
    }
    say("Fetching the samples of this window.");
    try {
      const answer = await fetch(address, { signal: asking.signal, headers: { Accept: "application/json" } });
      if (!answer.ok) throw new Error(`the server answered ${answer.status}`);
      data = await answer.json();
      await draw();
      say(describe());
    } catch (error) {
      if (error.name === "AbortError") return;
      say(`The plot could not be drawn: ${error.message}. The table below has the figures.`);
    }
  };
  const look = (next) => { range = next; clearTimeout(timer); timer = setTimeout(ask, 150); };

  const onZoom = (change) => {
    if (change["xaxis.autorange"]) look(null);
    else if ("xaxis.range[0]" in change) look([Number(change["xaxis.range[0]"]), Number(change["xaxis.range[1]"])]);
  };
  const scaled = (factor) => () => {
    const [low, high] = place.layout.xaxis.range.map(Number);
    const middle = (low + high) / 2;
    look([middle - ((high - low) / 2) * factor, middle + ((high - low) / 2) * factor]);
  };
  const wire = () => {
    place.on("plotly_relayout", onZoom);
    const tools = figure?.querySelector("[data-plot-tools]");
    if (!tools) return;
    tools.hidden = false;
    const on = (name, act) => tools.querySelector(`[data-plot-${name}]`)?.addEventListener("click", act);
    on("whole", () => look(null));
    on("crest", () => { if (data.crest_deg != null) look([data.crest_deg - CREST_WINDOW_DEG, data.crest_deg + CREST_WINDOW_DEG]); });
    on("in", scaled(0.5));
    on("out", scaled(2));
  };

  ask().then(() => { if (data) wire(); });
  const redraw = (paper) => { onPaper = paper; draw(); };
  // Before the pages are laid out: a plot still as wide as the screen would have them all made smaller to fit.
  window.addEventListener("beforeprint", () => redraw(true));
  window.addEventListener("afterprint", () => redraw(isPrinting.matches));
  isPrinting.addEventListener("change", () => redraw(isPrinting.matches));
  isDark.addEventListener("change", draw);
}

function drawAll(within) {
  for (const place of within.querySelectorAll("div[data-plot-url]:not([data-drawn])")) {
    if (!window.Plotly) return;
    place.dataset.drawn = "";
    sweepPlot(place);
  }
}

drawAll(document);
// A result that comes while the page is open brings its plot with it.
document.addEventListener("htmx:load", (event) => drawAll(event.target.parentNode ?? document));
