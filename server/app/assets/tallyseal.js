// What pages need beyond plain HTML: the focus for the scanner, the state of the connection, news from the server.
// Every page works without it but for what moves.
"use strict";
(() => {
  const SILENT_MS = 4500;
  const AGAIN_MS = 2000;
  const banner = document.querySelector(".lost");
  const watched = document.querySelector("[data-live]");

  // A fault or a refusal is read first.
  const first = document.querySelector("[role=alert][autofocus]");
  if (first) first.focus();

  // Nothing is sent twice by an impatient hand; the server would take it once in any case.
  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (form.dataset.sent) { event.preventDefault(); return; }
    form.dataset.sent = "yes";
    setTimeout(() => { delete form.dataset.sent; }, 4000);
  });
  window.addEventListener("pageshow", () => {
    for (const form of document.forms) delete form.dataset.sent;
  });

  if (!watched || !window.EventSource) return;
  let heard = Date.now();
  let lost = null;
  let source = null;
  let opened = 0;
  let full = false;
  const lostWords = banner.innerHTML;

  const refresh = () => {
    for (const part of document.querySelectorAll("[data-refresh]")) {
      if (window.htmx) window.htmx.trigger(part, "refresh");
    }
  };
  const alive = () => {
    heard = Date.now();
    if (lost) { lost = null; banner.hidden = true; refresh(); }
  };
  const open = () => {
    if (source) source.close();
    opened = Date.now();
    source = new EventSource("/live?about=" + encodeURIComponent(watched.dataset.live));
    source.addEventListener("beat", alive);
    source.addEventListener("entry", () => { alive(); refresh(); });
    source.addEventListener("over", () => { source.close(); location.reload(); });
    // Another page of the session took the place. Loading anew would take it back, and so on without end.
    source.addEventListener("full", () => {
      source.close();
      full = true;
      banner.textContent = "This page no longer renews itself: too many pages of this session are open. Close some.";
      banner.hidden = false;
    });
  };
  open();
  // Whoever comes back to the page wants to see what is so now.
  document.addEventListener("visibilitychange", () => {
    if (!full || document.visibilityState !== "visible") return;
    full = false;
    lost = null;
    banner.innerHTML = lostWords;
    banner.hidden = true;
    open();
    refresh();
  });
  setInterval(() => {
    if (full) return;
    if (Date.now() - heard > SILENT_MS) {
      if (!lost) {
        lost = new Date();
        banner.querySelector("span").textContent = lost.toLocaleTimeString("en-GB");
        banner.hidden = false;
      }
      if (source.readyState === EventSource.CLOSED && Date.now() - opened > AGAIN_MS) open();
    }
  }, 500);

  // Looking on is nobody's use of the session.
  document.body.addEventListener("htmx:configRequest", (event) => {
    if (event.detail.elt && event.detail.elt.hasAttribute("data-refresh")) {
      event.detail.headers["Tallyseal-Unattended"] = "yes";
    }
  });
})();
