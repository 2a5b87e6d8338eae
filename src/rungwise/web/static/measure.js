/* Corners and marks on a photograph are dragged, or moved by the arrow keys; the fields follow. */
"use strict";
(() => {
  const stage = document.getElementById("stage");
  if (!stage) return;
  const form = document.getElementById("marks");
  const lens = document.getElementById("lens");
  const lines = document.getElementById("lines");
  const { width, height } = stage.viewBox.baseVal;
  const grain = Number(stage.dataset.grain);
  const BONES = ["heel", "shaft_back", "shaft_front", "joint", "phalanx", "tip"];
  const number = (text) => (/^\s*\d+([.,]\d+)?\s*$/.test(text) ? Number(text.replace(",", ".")) : NaN);
  const perPixel = () => width / stage.getBoundingClientRect().width; // of the photograph in one of the screen

  const handles = [...stage.querySelectorAll("[data-name]")].map((g) => {
    const name = g.dataset.name, at = g.transform.baseVal.getItem(0).matrix;
    const field = (axis) => form.elements[`${name}.${axis}`];
    return { g, name, x: at.e, y: at.f, fields: [field("x"), field("y")] };
  });
  const byName = Object.fromEntries(handles.map((one) => [one.name, one]));
  const placed = (one) => one.fields.every((field) => field.value !== "");

  const draw = () => {
    const scale = perPixel();
    for (const one of handles) {
      one.g.setAttribute("transform", `translate(${one.x} ${one.y}) scale(${scale})`);
      one.g.classList.toggle("waits", !placed(one));
      const where = placed(one) ? `x ${one.x.toFixed(0)}, y ${one.y.toFixed(0)}` : stage.dataset.waits;
      one.g.setAttribute("aria-label", `${one.g.dataset.label}, ${where}`);
    }
    const corners = handles.filter((one) => one.name.startsWith("corner") && placed(one));
    const bones = BONES.map((name) => byName[name]).filter((one) => one && placed(one));
    for (const line of lines.children) {
      const of = line.dataset.of === "corner" ? corners : bones;
      line.setAttribute("points", of.map((one) => `${one.x},${one.y}`).join(" "));
      line.setAttribute("stroke-width", (line.classList.contains("under") ? 4 : 1.5) * scale);
    }
  };

  /* The magnifier stands where the hand is not. */
  const magnify = (one) => {
    const part = 60 * grain;
    lens.setAttribute("viewBox", `${one.x - part / 2} ${one.y - part / 2} ${part} ${part}`);
    for (const cross of lens.querySelectorAll("path")) cross.setAttribute("transform", `translate(${one.x} ${one.y})`);
    const box = stage.parentElement, seen = (one.x / width) * stage.getBoundingClientRect().width - box.scrollLeft;
    lens.classList.toggle("right", seen < box.clientWidth / 2);
    lens.removeAttribute("hidden");
  };

  const place = (one, x, y) => {
    one.x = Math.min(Math.max(x, 0), width - 1);
    one.y = Math.min(Math.max(y, 0), height - 1);
    one.fields[0].value = one.x.toFixed(1);
    one.fields[1].value = one.y.toFixed(1);
    for (const mark of form.querySelectorAll("[data-found]")) if (mark.dataset.found === one.name) mark.remove();
    draw();
    magnify(one);
  };
  const tell = () => form.dispatchEvent(new Event("input", { bubbles: true }));

  let grip = null;
  const nearest = (event) => {
    const box = stage.getBoundingClientRect(), scale = perPixel();
    const [x, y] = [(event.clientX - box.x) * scale, (event.clientY - box.y) * scale];
    const far = (one) => Math.hypot(one.x - x, one.y - y);
    return handles.reduce((best, one) => (far(one) < far(best) ? one : best));
  };
  for (const one of handles) {
    const { g } = one;
    g.setAttribute("tabindex", "0");
    g.setAttribute("role", "button");
    g.addEventListener("pointerdown", (event) => {
      if (event.button) return;
      event.preventDefault();
      const held = nearest(event); // where two lie on each other, the one whose middle is nearer
      held.g.focus({ preventScroll: true });
      g.setPointerCapture(event.pointerId);
      grip = { held, x: event.clientX, y: event.clientY, from: [held.x, held.y] };
      magnify(held);
    });
    g.addEventListener("pointermove", (event) => {
      if (!grip) return;
      const scale = perPixel();
      place(grip.held, grip.from[0] + (event.clientX - grip.x) * scale, grip.from[1] + (event.clientY - grip.y) * scale);
      tell();
    });
    for (const kind of ["pointerup", "pointercancel"]) g.addEventListener(kind, () => { grip = null; });
    g.addEventListener("keydown", (event) => {
      const step = event.shiftKey ? 10 : 1;
      const way = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] }[event.key];
      if (way) {
        event.preventDefault();
        place(one, one.x + way[0], one.y + way[1]);
        tell();
      } else if (event.key === "Delete" || event.key === "Backspace") {
        event.preventDefault();
        for (const field of one.fields) field.value = "";
        draw();
        tell();
      }
    });
    g.addEventListener("focus", () => magnify(one));
    g.addEventListener("blur", () => lens.setAttribute("hidden", ""));
    for (const field of one.fields) {
      field.addEventListener("input", () => {
        const [x, y] = one.fields.map((each) => number(each.value));
        if (x >= 0 && x < width && y >= 0 && y < height) Object.assign(one, { x, y });
        draw();
      });
    }
  }
  for (const line of form.querySelectorAll(".keys")) line.hidden = false;
  new ResizeObserver(draw).observe(stage);
  draw();
})();
