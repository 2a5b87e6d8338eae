/* Small helps only: every page works without them. */
"use strict";
(() => {
  const first = document.getElementById("faults");
  if (first) {
    first.focus();
    const into = (link) => {
      const place = document.getElementById(link.hash.slice(1));
      const field = place && (place.matches("input, select, textarea") ? place : place.querySelector("input:checked, input"));
      for (let up = field; up; up = up.parentElement) if (up.tagName === "DETAILS") up.open = true;
      if (field) field.focus();
      return Boolean(field);
    };
    first.addEventListener("click", (event) => {
      if (event.target.hash && into(event.target)) event.preventDefault();
    });
    first.addEventListener("keydown", (event) => {
      const link = first.querySelector("a[href^='#']");
      if (event.key === "Enter" && event.target === first && link && into(link)) event.preventDefault();
    });
  }

  for (const button of document.querySelectorAll("[data-print]")) {
    button.addEventListener("click", () => window.print());
  }

  const secret = document.querySelector("[data-strength]");
  if (secret) {
    const [least, good] = secret.dataset.strength.split(" ").map(Number);
    const told = document.getElementById("strength");
    secret.addEventListener("input", () => {
      const length = [...secret.value.normalize("NFKC")].length;
      told.textContent = length < least ? told.dataset.short : length < good ? told.dataset.fair : told.dataset.good;
    });
  }

  /* What was typed is kept over the lock, and comes back into its form; a change is not left by mistake. */
  const keepers = [...document.querySelectorAll("form[data-keep]")];
  let dirty = null;
  for (const one of keepers) {
    one.addEventListener("input", () => { dirty = one; });
    one.addEventListener("submit", () => { dirty = null; });
  }
  window.addEventListener("beforeunload", (event) => { if (dirty) event.preventDefault(); });
  const kept = document.getElementById("kept");
  const home = kept && keepers.find((one) => one.getAttribute("action") === kept.dataset.action);
  if (home) {
    const put = (field, text) => {
      if (field.matches("[type=radio], [type=checkbox]")) return field.value === text && (field.checked = true);
      if (field.matches("select") && ![...field.options].some((one) => one.value === text)) return false;
      field.value = text;
      return true;
    };
    const free = [...home.elements].filter((one) => one.matches("input:not([type=file]), select, textarea") && !one.disabled);
    for (const one of free) if (one.matches("[type=radio], [type=checkbox]")) one.checked = false;
    for (const row of kept.querySelectorAll("[data-name]")) {
      const at = free.findIndex((one) => one.name === row.dataset.name && put(one, row.querySelector("dd").textContent));
      if (at < 0) continue;
      const [field] = free.splice(at, 1);
      if (field.type !== "hidden") for (let up = field; up; up = up.parentElement) if (up.tagName === "DETAILS" && field.value) up.open = true;
      row.remove();
      dirty = home;
    }
  }

  const form = document.querySelector("form[data-flow]");

  /* Enter goes on to the next field; all the words of a choice are one field. */
  const goOn = (here) => {
    const fields = [...form.querySelectorAll("input:not([type=hidden]), select, textarea, button")].filter((one) => !one.disabled && one.checkVisibility());
    const rest = fields.slice(fields.indexOf(here) + 1);
    const next = rest.find((one) => !(here.name && one.name === here.name && here.closest(".words") === one.closest(".words")));
    const group = next && next.type === "radio" && next.closest(".words");
    const to = (group && group.querySelector("input:checked")) || next;
    if (to) to.focus();
    if (to && to.select) to.select();
  };

  /* In a choice its number or its first letter, Backspace for none of the words. */
  const pickWord = (event) => {
    const all = [...event.target.closest(".words").querySelectorAll("input")];
    const words = all.filter((one) => one.value);
    const key = event.key.toLowerCase();
    let to = key === "backspace" ? all.find((one) => !one.value) : words[key === "0" ? 9 : Number(key) - 1];
    if (!to && /^\p{L}$/u.test(key)) {
      const alike = words.filter((one) => one.parentElement.textContent.trim().toLowerCase().startsWith(key));
      to = alike[(alike.indexOf(event.target) + 1) % alike.length];
    }
    if (!to) return;
    event.preventDefault();
    to.focus();
    if (to.type === "radio" ? !to.checked : /^\d$/.test(key)) to.click();
  };

  /* One act answers what is open in a group of the screen with no, says which, and can be undone. */
  const groupOf = (part) => {
    const button = part.querySelector(".none button"), told = part.querySelector(".none [role=status]");
    const items = part.dataset.asked.split(" ").map((key) => {
      const name = `screen.${key}`, inputs = [...part.querySelectorAll(`[name="${CSS.escape(name)}"]`)];
      return { key, inputs, called: inputs[0].closest("fieldset").querySelector("legend").textContent.trim() };
    });
    const marks = () => [...form.querySelectorAll("input[name=marked]")].filter((one) => items.some((item) => item.key === one.value));
    const tell = () => {
      const done = marks().map((one) => one.value);
      const shown = items.filter((item) => (done.length ? done.includes(item.key) : !item.inputs.some((one) => one.checked)));
      button.name = done.length ? "back" : "none";
      button.textContent = button.dataset[button.name];
      told.textContent = `${told.dataset[done.length ? "done" : "lists"]} ${shown.map((item) => item.called).join(", ") || "–"}.`;
    };
    button.addEventListener("click", (event) => {
      event.preventDefault();
      if (marks().length) {
        for (const mark of marks()) {
          const no = items.find((item) => item.key === mark.value).inputs.find((one) => one.value === "no");
          no.checked = false;
          mark.remove();
        }
      } else {
        for (const item of items.filter((one) => !one.inputs.some((input) => input.checked))) {
          item.inputs.find((one) => one.value === "no").checked = true;
          const mark = document.createElement("input");
          Object.assign(mark, { type: "hidden", name: "marked", value: item.key });
          form.append(mark);
        }
      }
      tell();
      form.dispatchEvent(new Event("input", { bubbles: true }));
    });
    part.addEventListener("change", ({ target }) => {
      for (const mark of marks()) if (target.name === `screen.${mark.value}`) mark.remove();
      const called = document.getElementById("part-detail");
      if (called && !["", "no"].includes(target.value)) called.querySelector("details").open = true;
      tell();
    });
  };
  if (form) {
    form.addEventListener("keydown", (event) => {
      const here = event.target;
      if (event.key === "Enter" && event.ctrlKey) form.requestSubmit(form.querySelector("button.main"));
      else if (event.key === "Enter" && here.matches("input, select")) { event.preventDefault(); goOn(here); }
      else if (here.matches(".words input") && !event.ctrlKey && !event.altKey && !event.metaKey) pickWord(event);
    });
    for (const part of form.querySelectorAll("[data-asked]")) groupOf(part);
    for (const line of form.querySelectorAll(".keys")) line.hidden = false;
  }

  const sheet = document.querySelector("form[data-boxes]");
  if (sheet) {
    const boxes = [...sheet.querySelectorAll(".tick:enabled")];
    const rows = [...sheet.querySelectorAll("tr")].map((row) => [...row.querySelectorAll("input:enabled")]).filter((row) => row.length);
    const go = (box) => { if (box) { box.focus(); if (box.select) box.select(); } };
    sheet.addEventListener("input", ({ target }) => {
      if (target.classList.contains("tick") && /^p?[0-9tx]$/i.test(target.value)) go(boxes[boxes.indexOf(target) + 1]);
    });
    sheet.addEventListener("keydown", (event) => {
      const row = rows.findIndex((one) => one.includes(event.target));
      if (row < 0) return;
      const column = rows[row].indexOf(event.target);
      const to = { ArrowRight: rows[row][column + 1], ArrowLeft: rows[row][column - 1], ArrowDown: (rows[row + 1] || [])[column], ArrowUp: (rows[row - 1] || [])[column] }[event.key];
      if (to) { event.preventDefault(); go(to); }
    });
  }

  for (const button of document.querySelectorAll("[data-copy]")) {
    button.hidden = !navigator.clipboard;
    button.addEventListener("click", () => navigator.clipboard.writeText(document.getElementById(button.dataset.copy).textContent));
  }

  // A file may be dropped anywhere on a page that takes one, or pasted; it then stands in the field.
  const zones = [...document.querySelectorAll("form[data-drop]")];
  const zoneOf = (target) => zones.find((zone) => zone.contains(target)) || zones[0];
  const choose = (zone, files) => {
    const one = new DataTransfer();
    one.items.add(files[0]);
    zone.querySelector("input[type=file]").files = one.files;
    const text = zone.querySelector("textarea");
    if (text) text.value = "";
    for (let around = zone; around; around = around.parentElement) if (around.tagName === "DETAILS") around.open = true;
    const told = zone.querySelector("[data-dropped]");
    told.textContent = told.dataset.says.replace("{}", files[0].name);
    zone.querySelector("button").focus();
  };
  const over = (zone) => { for (const one of zones) one.classList.toggle("over", one === zone); };
  if (zones.length) {
    document.addEventListener("dragover", (event) => {
      if (!event.dataTransfer?.types.includes("Files")) return;
      event.preventDefault(); // else the browser would leave the page for the file
      over(zoneOf(event.target));
    });
    document.addEventListener("dragleave", (event) => { if (!event.relatedTarget) over(null); });
    document.addEventListener("drop", (event) => {
      over(null);
      if (!event.dataTransfer?.files.length) return;
      event.preventDefault();
      choose(zoneOf(event.target), event.dataTransfer.files);
    });
    document.addEventListener("paste", (event) => {
      if (!event.clipboardData?.files.length) return;
      event.preventDefault();
      choose(zoneOf(event.target), event.clipboardData.files);
    });
  }

  const idle = Number(document.body.dataset.idle || 0) * 1000;
  if (idle) {
    let last = Date.now();
    const alive = () => { last = Date.now(); };
    for (const kind of ["keydown", "pointerdown"]) document.addEventListener(kind, alive);
    setInterval(() => {
      if (Date.now() - last < idle) return;
      last = Infinity;
      if (dirty) {
        const mark = document.createElement("input");
        Object.assign(mark, { type: "hidden", name: "hold", value: "yes" });
        dirty.append(mark);
        dirty.enctype = "application/x-www-form-urlencoded";
        const gone = dirty;
        dirty = null;
        gone.submit();
        return;
      }
      document.body.replaceChildren();
      location.replace("/enter");
    }, 5000);
  }
})();
