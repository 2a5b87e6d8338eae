/* Small helps only: every page works without them. */
"use strict";
(() => {
  const first = document.getElementById("faults");
  if (first) first.focus();

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

  const form = document.querySelector("form[data-keep]");
  let changed = false;
  if (form) {
    form.addEventListener("input", () => { changed = true; });
    form.addEventListener("submit", () => { changed = false; });
    form.addEventListener("keydown", (event) => {
      if (event.key === "Enter" && event.target.tagName === "INPUT" && !event.ctrlKey) event.preventDefault();
      if (event.key === "Enter" && event.ctrlKey) form.requestSubmit();
    });
    window.addEventListener("beforeunload", (event) => { if (changed) event.preventDefault(); });
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

  const idle = Number(document.body.dataset.idle || 0) * 1000;
  if (idle) {
    let last = Date.now();
    const alive = () => { last = Date.now(); };
    for (const kind of ["keydown", "pointerdown"]) document.addEventListener(kind, alive);
    setInterval(() => {
      if (Date.now() - last < idle) return;
      if (form && changed) {
        changed = false;
        last = Infinity;
        form.action += "/hold";
        form.submit();
        return;
      }
      changed = false;
      document.body.replaceChildren();
      location.replace("/enter");
    }, 5000);
  }
})();
