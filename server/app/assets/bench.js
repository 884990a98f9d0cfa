// The bench: the scan field has the focus whenever nobody is typing elsewhere, and what moves destroys nothing that
// somebody types.
"use strict";
(() => {
  const bench = document.querySelector(".bench");
  if (!bench) return;
  const field = () => bench.querySelector(".scan input[name=text]");
  const takesKeys = (element) => element && element.matches("input:not([type=radio]):not([type=checkbox]), textarea, select");
  const toField = () => {
    const scan = field();
    if (scan) scan.focus({ preventScroll: true });
  };

  // A scanner is a keyboard: a letter or digit that no field takes goes into the scan field, also when a button that was
  // just pressed has the focus. Space and Enter are the button's own.
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey || event.key.length !== 1 || event.key === " ") return;
    if (!takesKeys(document.activeElement)) toField();
  });
  // Whoever touches the empty page means no field; the next scan must not be lost.
  document.addEventListener("focusout", () => setTimeout(() => {
    const nowhere = document.activeElement === document.body || document.activeElement === null;
    if (nowhere && String(document.getSelection()) === "") toField();
  }, 0));

  // A part in which somebody has typed or chosen is renewed when they have sent or left it.
  const inUse = (part) => {
    for (const element of part.querySelectorAll("input:not([type=hidden]), textarea, select")) {
      if (element.type === "radio" || element.type === "checkbox") {
        if (element.checked !== element.defaultChecked) return true;
      } else if (element.tagName === "SELECT") {
        if ([...element.options].some((option) => option.selected !== option.defaultSelected)) return true;
      } else if (element.value !== element.defaultValue) return true;
    }
    return Boolean(part.querySelector("details[open]"));
  };
  let late = false;
  const renew = () => {
    const part = bench.querySelector("[data-keeps]");
    if (late && part && !inUse(part)) { late = false; window.htmx.trigger(part, "refresh"); }
  };
  setInterval(renew, 1000);

  document.body.addEventListener("htmx:beforeSwap", (event) => {
    const part = event.detail.target;
    if (!part.hasAttribute("data-keeps") || !event.detail.shouldSwap) return;
    const answer = new DOMParser().parseFromString(event.detail.serverResponse, "text/html");
    const next = answer.querySelector("[data-keeps]");
    if (next && next.dataset.version === part.dataset.version) { event.detail.shouldSwap = false; return; }
    if (inUse(part)) { late = true; event.detail.shouldSwap = false; }
  });
  document.body.addEventListener("htmx:afterSwap", () => {
    if (document.activeElement === document.body || document.activeElement === null) toField();
    const title = bench.querySelector("#next-title");
    const news = bench.querySelector("#bench-news");
    if (title && news && news.textContent !== title.textContent) news.textContent = title.textContent;
  });

  if (!document.activeElement || document.activeElement === document.body) toField();
})();
