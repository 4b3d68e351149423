/* The controls: what the client sets becomes one weight a layer, and the layers are drawn. */

const data = JSON.parse(document.getElementById("data").textContent);
const by = (id) => document.getElementById(id);
const form = by("controls");
const zoneSets = [...form.querySelectorAll("[data-zone]")];
const WHOLE_LINE = 100;

const at = { view: 0, option: 0, zones: settings(0), split: 0.5 };
const STAND = { turn: 0, rise: 12, far: 1 };
const stand = { ...STAND };
let drawer = null, waiting = 0, saying = 0, loads = 0;

/* What an option sets: a zone each on or off, its level, and no colour of the client's own yet. */
function settings(option) {
  return data.zones.map((zone) => {
    const { exists, on, dim } = zone.settings[option];
    return { on: on && exists, dim, cct: null };
  });
}

/* A value of a table of even steps. */
function read(table, place) {
  const k = Math.min(Math.max(place, 0), table.length - 1);
  const low = Math.min(Math.floor(k), table.length - 2), share = k - low;
  const between = (a, b) => a + (b - a) * share;
  const [a, b] = [table[low], table[low + 1]];
  return Array.isArray(a) ? a.map((value, c) => between(value, b[c])) : between(a, b);
}

function colour(kelvin) {
  return read(data.colours.rgb, (kelvin - data.colours.from) / data.colours.step);
}

/* One RGB weight a layer: lamps by their zone's setting, all else by the option. */
function weights(option, zones) {
  return data.layers.map((layer) => {
    if (layer.factor) return layer.factor[option];
    const { on, dim, cct } = zones[layer.zone], level = layer.share[option] * dim;
    if (!on || level === 0) return [0, 0, 0];
    const source = data.sources[layer.source], place = level * (source.flux.length - 1);
    const kelvin = (cct ?? layer.cct[option]) * read(source.redder, place);
    return colour(kelvin).map((c) => c * read(source.flux, place));
  });
}

/* The left side where two are compared, in words and weights; null where none is. */
function other() {
  const chosen = by("against").value;
  const view = data.views[at.view];
  if (chosen === "none" || (chosen === "day" && !view.day)) return null;
  if (chosen === "day") return { told: "the photo by day", weights: null };
  if (chosen === "off") {
    const dark = at.zones.map((zone) => ({ ...zone, on: false }));
    return { told: "lamps off", weights: weights(at.option, dark) };
  }
  const option = Number(chosen);
  return { told: data.options[option], weights: weights(option, settings(option)) };
}

function draw() {
  waiting = 0;
  if (!drawer || !drawer.view) return;
  const right = { weights: weights(at.option, at.zones), until: 1 }, left = other();
  drawer.draw(left ? [{ weights: left.weights, until: at.split }, right] : [right], stand);
}

function ask() {
  if (!waiting) waiting = requestAnimationFrame(draw);
  clearTimeout(saying);
  saying = setTimeout(say, 300);
}

/* What is seen, in words: for those who do not see it, and on paper. */
function say() {
  const told = data.zones.map((zone, k) => {
    const { on, dim, cct } = at.zones[k], own = zone.settings[at.option];
    if (!own.exists) return `${zone.name}: not in this option`;
    if (!on) return `${zone.name}: off`;
    const kelvin = cct ?? own.cct;
    return `${zone.name}: ${percent(dim)}${kelvin ? `, ${Math.round(kelvin)} K` : ""}`;
  });
  const left = other();
  const words = `${data.views[at.view].name}, ${data.options[at.option]}. ${told.join("; ")}.`
    + (left ? ` Left of the line: ${left.told}.` : "")
    + (data.views[at.view].note ? ` ${data.views[at.view].note}` : "");
  by("said").textContent = words;
  by("picture").setAttribute("aria-label", words);
}

function percent(share) {
  return `${Math.round(100 * share)} %`;
}

/* Put every control where the state is. */
function show() {
  zoneSets.forEach((set, k) => {
    const { on, dim, cct } = at.zones[k], own = data.zones[k].settings[at.option];
    const [lit, level, warmth] = set.querySelectorAll("input");
    set.disabled = !own.exists;
    lit.checked = on;
    level.value = 100 * dim;
    tell(level, percent(dim));
    const kelvin = cct ?? own.cct;
    if (kelvin) warmth.value = kelvin;
    tell(warmth, kelvin ? `${Math.round(kelvin)} K` : "as designed");
  });
  const all = by("all");
  if (all) {
    const ccts = new Set(at.zones.map(({ cct }, k) => cct ?? data.zones[k].settings[at.option].cct));
    const [kelvin] = ccts;
    if (ccts.size === 1 && kelvin) all.value = kelvin;
    tell(all, ccts.size === 1 && kelvin ? `${Math.round(kelvin)} K` : "as each is set");
  }
  const left = other();
  document.documentElement.classList.toggle("compared", left !== null);
  by("split-row").hidden = left === null;
  by("left").textContent = left ? left.told : "";
  by("right").textContent = left ? "as set here" : "";
  by("split").value = WHOLE_LINE * at.split;
  by("line").style.left = by("split").value + "%";
  tell(by("split"), `${Math.round(WHOLE_LINE * at.split)} % from the left`);
  const turning = Boolean(data.views[at.view].model);
  document.documentElement.classList.toggle("turning", turning);
  by("standing").hidden = !turning;
  by("turn").value = stand.turn;
  by("rise").value = stand.rise;
  by("far").value = 100 * stand.far;
  const aside = Math.round(stand.turn);
  tell(by("turn"), aside === 0 ? "from before" : `${Math.abs(aside)}° round to the ${aside > 0 ? "right" : "left"}`);
  tell(by("rise"), `${Math.round(stand.rise)}° above`);
  tell(by("far"), percent(stand.far));
}

function tell(input, words) {
  input.setAttribute("aria-valuetext", words);
  const shown = input.parentElement.querySelector(".value");
  if (shown) shown.textContent = words;
}

async function load(view) {
  const own = ++loads, picture = by("picture");
  picture.setAttribute("aria-busy", "true");
  const images = await Promise.all(data.views[view].layers.map((layer) => layer && image(layer.picture)));
  const { edges: coded, day: taken } = data.views[view];
  const edges = coded ? await image(coded) : null;
  const day = taken ? await image(taken, "jpeg") : null;
  if (own !== loads || !drawer) return;
  drawer.load(data.views[view], images, edges, day);
  draw();
  say();
  picture.setAttribute("aria-busy", "false");
}

async function image(base64, kind = "webp") {
  const made = new Image();
  made.src = `data:image/${kind};base64,${base64}`;
  await made.decode();
  return made;
}

form.addEventListener("input", ({ target }) => {
  const set = target.closest("[data-zone]");
  if (target.name === "view") {
    at.view = Number(target.value);
    if (data.views[at.view].day && by("against").value === "none") by("against").value = "day";
    show();
    load(at.view).catch(unable);
    return;
  }
  if (target.name === "option") {
    at.option = Number(target.value);
    at.zones = settings(at.option);
  } else if (target.id === "all") {
    for (const zone of at.zones) zone.cct = Number(target.value);
  } else if (set) {
    const zone = at.zones[Number(set.dataset.zone)];
    if (target.name === "on") zone.on = target.checked;
    if (target.name === "dim") zone.dim = Number(target.value) / 100;
    if (target.name === "cct") zone.cct = Number(target.value);
  }
  show();
  ask();
});
form.addEventListener("submit", (event) => event.preventDefault());

by("again").addEventListener("click", () => {
  at.zones = settings(at.option);
  show();
  ask();
});

by("split").addEventListener("input", ({ target }) => splitAt(Number(target.value) / WHOLE_LINE));

function splitAt(share) {
  at.split = Math.min(Math.max(share, 0), 1);
  show();
  if (!waiting) waiting = requestAnimationFrame(draw);
}

/* Stand somewhere else about the model: past the back the turn goes on from the other side. */
function standAt({ turn = stand.turn, rise = stand.rise, far = stand.far }) {
  const [lowest, highest] = [by("rise").min, by("rise").max].map(Number);
  const [nearest, farthest] = [by("far").min, by("far").max].map((text) => Number(text) / 100);
  stand.turn = ((turn + 180) % 360 + 360) % 360 - 180;
  stand.rise = Math.min(Math.max(rise, lowest), highest);
  stand.far = Math.min(Math.max(far, nearest), farthest);
  show();
  if (!waiting) waiting = requestAnimationFrame(draw);
}
by("turn").addEventListener("input", ({ target }) => standAt({ turn: Number(target.value) }));
by("rise").addEventListener("input", ({ target }) => standAt({ rise: Number(target.value) }));
by("far").addEventListener("input", ({ target }) => standAt({ far: Number(target.value) / 100 }));

/* One pointer draws the line between two states where it is taken hold of, else turns the model; two
 * fingers bring it nearer. A finger up and down moves the page, as everywhere. */
const stage = by("stage");
const HOLD_PX = 28;
const fingers = new Map();
let drawing = "";
stage.addEventListener("pointerdown", (event) => {
  const box = stage.getBoundingClientRect(), compared = !by("split-row").hidden;
  const turning = Boolean(data.views[at.view].model);
  const off = Math.abs(event.clientX - box.left - at.split * box.width);
  drawing = compared && (!turning || off < HOLD_PX) ? "line" : turning ? "turn" : "";
  if (!drawing) return;
  stage.setPointerCapture(event.pointerId);
  fingers.set(event.pointerId, [event.clientX, event.clientY]);
  if (drawing === "line") splitAt((event.clientX - box.left) / box.width);
});
stage.addEventListener("pointermove", (event) => {
  if (!fingers.has(event.pointerId)) return;
  const box = stage.getBoundingClientRect(), before = fingers.get(event.pointerId);
  const here = [event.clientX, event.clientY];
  if (drawing === "line") splitAt((event.clientX - box.left) / box.width);
  else if (fingers.size === 1) {
    const rise = event.pointerType === "touch" ? 0 : here[1] - before[1];
    standAt({ turn: stand.turn - 180 * (here[0] - before[0]) / box.width,
              rise: stand.rise + 120 * rise / box.height });
  } else {
    const [other] = [...fingers].filter(([id]) => id !== event.pointerId).map(([, place]) => place);
    const apart = (place) => Math.hypot(place[0] - other[0], place[1] - other[1]);
    standAt({ far: stand.far * apart(before) / Math.max(apart(here), 1) });
  }
  fingers.set(event.pointerId, here);
});
for (const end of ["pointerup", "pointercancel", "lostpointercapture"]) {
  stage.addEventListener(end, ({ pointerId }) => fingers.delete(pointerId));
}

/* Without the graphics the plain pictures stay, which are in the page already. */
function unable(error) {
  drawer = null;
  document.documentElement.classList.remove("live");
  by("unable").hidden = false;
  by("why").textContent = String(error && error.message ? error.message : error);
}

async function start() {
  try {
    const constants = data.tone, tile = await image(data.tile);
    for (const view of data.views) delete view.solid;
    drawer = new Drawer(by("picture"), constants, tile);
    by("unable").hidden = true;
    document.documentElement.classList.add("live");
    show();
    // Until it is drawn, which takes a telephone a while, the plain picture stands in its place.
    [by("picture").width, by("picture").height] = data.views[at.view].size;
    stage.style.backgroundImage = `url(${document.querySelector(".plain img").src})`;
    stage.classList.add("waiting");
    await load(at.view);
    stage.classList.remove("waiting");
    stage.style.backgroundImage = "";
  } catch (error) {
    unable(error);
  }
}

by("picture").addEventListener("webglcontextlost", (event) => {
  event.preventDefault();
  unable("the graphics were lost; they may come back");
});
by("picture").addEventListener("webglcontextrestored", start);

/* Some telephones play a film from memory but not from within the page's text. */
for (const film of document.querySelectorAll("video")) {
  const content = bytes(film.src.slice(film.src.indexOf(",") + 1));
  film.src = URL.createObjectURL(new Blob([content], { type: "video/mp4" }));
}

start();
