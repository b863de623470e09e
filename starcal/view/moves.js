"use strict";
/* What must not wait for an answer: the divider, moving about, keys. Everything else is asked of the server. */
const ANSWER_WITHIN_MS = 5000;
function connect(doc) {
  const model = (name) => doc.get_model_by_name(name);
  const plot = model("picture"), composed = model("composed"), halves = model("halves"), lit = model("lit");
  const divider = model("divider"), split = model("split");
  const word = (name) => document.getElementById(name);
  const frame = document.getElementById("picture").dataset;
  const [columns, rows] = [Number(frame.width), Number(frame.height)];

  const copied = (view) => new view.constructor(new Uint32Array(view).buffer, view.shape);
  function light() {  // after, by what alone differs of it from before
    const {before} = halves.data, [places] = lit.data.place, [pixels] = lit.data.pixel;
    const image = copied(before[0]);
    for (let i = 0; i < places.length; i++) image[places[i]] = pixels[i];
    halves.data.after = [image];
    compose();
  }
  function pieced(one, other, cut) {  // columns before the cut of one view, the others of another
    const [height, width] = one.shape;
    const left = new Uint32Array(one.buffer, one.byteOffset, one.length);
    const image = copied(other);
    for (let row = 0; row < height; row++)
      image.set(left.subarray(row * width, row * width + cut), row * width);
    return image;
  }
  function compose() {  // before left of the divider, after right of it
    const {before, after, x, y, dw, dh} = halves.data;
    if (before.length == 0) return;
    const width = before[0].shape[1];
    const cut = Math.min(Math.max(Math.round((divider.location - x[0]) / dw[0] * width), 0), width);
    const image = cut == 0 ? after[0] : cut == width ? before[0] : pieced(before[0], after[0], cut);
    Object.assign(composed.data, {image: [image], x: [x[0]], y: [y[0]], dw: [dw[0]], dh: [dh[0]]});
    composed.change.emit();  // drawn anew; to set the data would send them back to the server
  }
  function place() {  // the divider stays where it is on the screen
    const {start, end} = plot.x_range;
    divider.location = start + split.value / 100 * (end - start);
    word("before").hidden = split.value <= 0;
    word("after").hidden = split.value >= 100;
    compose();
  }
  split.properties.value.change.connect(place);
  halves.properties.data.change.connect(compose);
  lit.properties.data.change.connect(light);
  divider.properties.location.change.connect(() => {
    const {start, end} = plot.x_range;
    const share = 100 * (divider.location - start) / (end - start);
    if (Math.abs(share - split.value) > 0.01) split.value = Math.min(Math.max(share, 0), 100);
  });

  function show(x, y, per_screen) {  // centre, and pixels of the frame on one of the screen
    if (!(plot.inner_width > 0)) return;
    const within = (at, size) => Math.min(Math.max(at, 0), size - 1);
    const even = (edge) => per_screen > one() ? edge : Math.round((edge + 0.5) / per_screen) * per_screen - 0.5;
    const [w, h] = [plot.inner_width * per_screen, plot.inner_height * per_screen];
    const [left, low] = [even(within(x, columns) - w / 2), even(within(y, rows) - h / 2)];
    plot.x_range.setv({start: left, end: left + w});
    plot.y_range.setv({start: low, end: low + h});
  }
  const middle = () => [(plot.x_range.start + plot.x_range.end) / 2, (plot.y_range.start + plot.y_range.end) / 2];
  const scale = () => (plot.x_range.end - plot.x_range.start) / plot.inner_width;
  const one = () => 1 / window.devicePixelRatio;
  const all_of_it = () => Math.max(columns / plot.inner_width, rows / plot.inner_height);
  let whole = true;
  function show_whole() {
    show((columns - 1) / 2, (rows - 1) / 2, all_of_it());
    whole = true;
  }
  const enlarged = [1, 2, 3, 4, 6, 8, 12, 16];  // a pixel of the frame fills whole ones of the screen
  function closer(at) {
    const now = one() / last, next = enlarged.find((times) => times > 1.001 * now) ?? now;
    zoom(now < 0.999 ? Math.min(1.5 * now, 1) : next, at);
  }
  function farther(at) {
    const now = one() / last, least = Math.min(one() / all_of_it(), 1);
    if (now <= 1.001 * least) return show_whole();
    zoom(enlarged.findLast((times) => times < 0.999 * now) ?? Math.max(now / 1.5, least), at);
  }
  function zoom(times, [x, y] = middle()) {  // a place of the frame stays where it is on the screen
    const [a, b] = middle(), share = one() / times / last;
    show(x + (a - x) * share, y + (b - y) * share, one() / times);
  }
  let turned = 0;
  document.getElementById("picture").addEventListener("wheel", (event) => {
    event.preventDefault();
    turned += event.deltaY * (event.deltaMode == 0 ? 1 : 33);
    if (Math.abs(turned) < 60) return;  // a touch pad tells of every little way
    const {left, bottom} = event.currentTarget.getBoundingClientRect();
    const at = [plot.x_range.start + (event.clientX - left) * last, plot.y_range.start + (bottom - event.clientY) * last];
    if (turned < 0) closer(at); else farther(at);
    turned = 0;
  }, {passive: false});
  let last = 1;
  function resized() {
    if (!(plot.inner_width > 0 && plot.inner_height > 0)) return;  // not laid out yet
    if (view) {
      whole = view.whole;
      if (!whole) show(...view.middle, view.per_screen);
      view = null;
    }
    if (whole) show_whole(); else show(...middle(), last);
  }
  function moved() {
    if (!(plot.inner_width > 0)) return;
    whole = false;
    last = scale();
    document.getElementById("zoom").textContent = `${(100 * one() / last).toPrecision(3) * 1} %`;
    place();
  }
  for (const range of [plot.x_range, plot.y_range]) range.change.connect(moved);
  for (const size of ["inner_width", "inner_height"]) plot.properties[size].change.connect(resized);
  let view = JSON.parse(sessionStorage.getItem("view"));  // of the page before this one, of the same frame
  sessionStorage.removeItem("view");
  resized();

  function pan(x, y) {
    const [a, b] = middle();
    show(a + x * plot.inner_width * last, b + y * plot.inner_height * last, last);
  }
  const here = {
    whole: show_whole,
    full_size: () => show(...middle(), one()),
    full_screen: () => {
      if (document.fullscreenElement) document.exitFullscreen();
      else document.getElementById("picture").requestFullscreen();
    },
    closer: () => closer(),
    farther: () => farther(),
  };
  for (const [name, act] of Object.entries(here)) model(name).on_event("button_click", act);
  const moves = {
    ",": () => { split.value = Math.max(split.value - 2, 0); }, ".": () => { split.value = Math.min(split.value + 2, 100); },
    ArrowLeft: () => pan(-0.1, 0), ArrowRight: () => pan(0.1, 0), ArrowUp: () => pan(0, 0.1), ArrowDown: () => pan(0, -0.1),
  };
  const keys = new Map(doc.roots().filter((root) => typeof root.tags[0] == "string").map((root) => [root.tags[0], root]));
  document.addEventListener("keydown", (event) => {
    const at = event.composedPath()[0];
    const typing = ["INPUT", "SELECT", "TEXTAREA"].includes(at.tagName) && at.type != "checkbox";
    const sliding = event.key.startsWith("Arrow") && (at.getAttribute?.("role") == "slider" || at.id == "rows");
    const name = event.ctrlKey ? `Ctrl+${event.key.toUpperCase()}` : event.key;
    if (typing && name == "Ctrl+S") at.blur();  // what was typed counts
    else if (typing || sliding || event.altKey || event.metaKey) return;
    const key = {"=": "+", "Ctrl+Z": event.shiftKey ? "r" : "u", "Ctrl+Y": "r"}[name] ?? name;
    const button = keys.get(key);
    if (!button && !moves[key]) return;
    event.preventDefault();
    if (button) { if (!button.disabled) Bokeh.index.get(button).click(); } else moves[key]();
  });
  for (const root of doc.roots()) {
    const control = Bokeh.index.get(root)?.el.shadowRoot?.querySelector(".noUi-handle, [type=checkbox]");
    const name = root.title || root.label || "Divider between before and after";
    if (control) control.setAttribute("aria-label", name);
  }
  const plots = model("plots");
  if (plots) {
    const show_plots = () => document.getElementById("plots").classList.toggle("off", !plots.active);
    plots.properties.active.change.connect(show_plots);
    show_plots();
  }
  const beside = model("beside");
  if (beside) beside.properties.value.change.connect(() => {
    const name = beside.value == "before" ? "Before" : `Route: ${beside.value}`;
    document.getElementById("before").textContent = name;
  });
  const state = model("state");
  const follow = () => {  // all can be played with: on the page after this one, unless a hand is on a slider
    if (state.text != "opened") return;
    if (document.querySelector(":active")) return setTimeout(follow, 200);
    sessionStorage.setItem("view", JSON.stringify({whole, per_screen: last, middle: middle()}));
    location.reload();
  };
  if (state) { state.properties.text.change.connect(follow); follow(); }
  let back = null;  // where the divider was before the key was held
  const held = (event) => event.key == "h" && !event.ctrlKey && !event.altKey && !event.metaKey
    && !["INPUT", "SELECT"].includes(event.composedPath()[0].tagName);
  document.addEventListener("keydown", (event) => {
    if (held(event) && back === null) { back = split.value; split.value = 100; }
  });
  document.addEventListener("keyup", (event) => {
    if (event.key == "h" && back !== null) { split.value = back; back = null; }
  });
  doc.on_event("connection_lost", tell_of_loss);
  connect_choices(doc);
  document.body.dataset.ready = "yes";
}
// The machine or the tab may have slept: then starcal answers still, and has kept the choices.
async function tell_of_loss() {
  const answers = await fetch(location.href, { signal: AbortSignal.timeout(ANSWER_WITHIN_MS) })
    .then((answer) => answer.ok, () => false);
  document.getElementById(answers ? "lost" : "ended").hidden = false;
}
const wait = setInterval(() => {
  const doc = Bokeh.documents[0];
  if (doc && doc.is_idle) { clearInterval(wait); connect(doc); }
}, 50);
