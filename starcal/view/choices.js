
/* Sliders: a number beside each, a double click for its usual value. A sign while an answer is awaited. What is seen as a file. */
const SIGN_AFTER_MS = 150, LEFT_AFTER_MS = 300, GESTURE_MS = 1000;
function connect_choices(doc) {
  const model = (name) => doc.get_model_by_name(name);
  const halves = model("halves"), status = model("status"), busy = document.getElementById("busy");

  let asked_at = null;  // when something was asked that was not answered yet
  const saving = () => status.text.includes("…");
  const show_busy = () => { busy.hidden = !saving() && (asked_at === null || Date.now() - asked_at < SIGN_AFTER_MS); };
  function asked() {
    asked_at ??= Date.now();
    setTimeout(show_busy, SIGN_AFTER_MS + 10);
  }
  function answered() { asked_at = null; show_busy(); }
  for (const source of [halves, model("lit")]) source.properties.data.change.connect(answered);
  status.properties.text.change.connect(show_busy);
  const {x_range, y_range} = model("picture");
  for (const range of [x_range, y_range]) range.change.connect(asked);
  const here = ["whole", "full_size", "full_screen", "closer", "farther", "export"];
  for (const root of doc.roots()) {
    if (root.type == "Button" && !here.includes(root.name)) root.on_event("button_click", asked);
    if (root.type == "Select") root.properties.value.change.connect(asked);
  }

  let held = false;  // a hand moves a slider: what it passes is no choice yet
  let gestures = 0, pressed_at = -GESTURE_MS, pressed_on = null;  // what one gesture moves is one step back
  const begin = () => { status.tags = [++gestures]; };
  let by_hand = false;  // while an event of a hand is answered; what the server moves is no choice
  for (const event of ["keydown", "pointerdown", "pointerup", "wheel", "dblclick", "change"])
    addEventListener(event, () => { by_hand = true; setTimeout(() => { by_hand = false; }); }, true);
  addEventListener("pointerdown", () => { held = true; pressed_on = null; begin(); }, true);
  addEventListener("keydown", (event) => {  // presses that follow each other are one
    const on = event.composedPath()[0];
    if (on !== pressed_on || event.timeStamp - pressed_at > GESTURE_MS) begin();
    [pressed_on, pressed_at] = [on, event.timeStamp];
  }, true);
  for (const end of ["pointerup", "pointercancel"]) addEventListener(end, () => { held = false; }, true);
  for (const field of document.querySelectorAll("input[data-of]")) {
    const slider = model(field.dataset.of), {value, value_throttled, disabled} = slider.properties;
    Object.assign(field, {min: slider.start, max: slider.end, step: slider.step, ariaLabel: `${slider.title}, number`});
    const show = () => { if (document.activeElement !== field) field.value = Number(slider.value.toFixed(3)); };
    let left = slider.value;  // what was chosen last; the page cannot read `value_throttled` before it is set
    value_throttled.change.connect(() => { left = slider.value_throttled; });
    const leave = () => { if (!held && left !== slider.value) slider.value_throttled = slider.value; };
    const take = (number) => {
      slider.value = Math.min(Math.max(number, slider.start), slider.end);
      leave();
    };
    let waiting;
    value.change.connect(() => {
      show();
      clearTimeout(waiting);
      if (held || by_hand) {
        asked();
        waiting = setTimeout(leave, LEFT_AFTER_MS);
      } else {  // the server moved it: the next move by hand is a change then
        status.tags = [gestures, "told"];
        slider.value_throttled = slider.value;
        status.tags = [gestures];
      }
    });
    disabled.change.connect(() => { field.disabled = slider.disabled; });
    field.disabled = slider.disabled;
    field.addEventListener("change", () => {
      if (field.value !== "" && Number.isFinite(field.valueAsNumber)) take(field.valueAsNumber);
      field.value = Number(slider.value.toFixed(3));
    });
    field.addEventListener("blur", show);
    field.addEventListener("keydown", (event) => { if (event.key == "Escape") field.blur(); });
    Bokeh.index.get(slider).el.addEventListener("dblclick", () => { held = false; take(slider.tags[0]); });
    show();
  }

  model("export").on_event("button_click", () => {
    const {image, dw} = model("composed").data, [height, width] = image[0].shape;
    const per_screen = (x_range.end - x_range.start) / model("picture").inner_width;
    const times = Math.max(1, Math.round(dw[0] / width / per_screen));  // as large as it is seen
    const sheet = new ImageData(width, height), from = new Uint32Array(image[0]), to = new Uint32Array(sheet.data.buffer);
    for (let row = 0; row < height; row++) to.set(from.subarray(row * width, (row + 1) * width), (height - 1 - row) * width);
    const small = new OffscreenCanvas(width, height), whole = document.createElement("canvas");
    small.getContext("2d").putImageData(sheet, 0, 0);
    Object.assign(whole, {width: width * times, height: height * times});
    const drawn = whole.getContext("2d");
    drawn.imageSmoothingEnabled = false;
    drawn.drawImage(small, 0, 0, whole.width, whole.height);
    whole.toBlob((blob) => {
      const link = document.createElement("a");
      link.href = URL.createObjectURL(blob);
      link.download = `${document.querySelector("h1").textContent.replace(/\.[^.]*$/, "")}-seen.png`;
      link.click();
      setTimeout(() => URL.revokeObjectURL(link.href), 10000);
    });
  });
}
