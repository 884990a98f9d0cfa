// Lists in forms, for hands that hold a scanner: Enter goes on to the next field of a row and then to a new row, in place
// of sending the form half filled in. Without it "One more" and Tab do the same.
"use strict";
(() => {
  const NEW = "tallyseal-row";
  const fields = (within) => [...within.querySelectorAll("input:not([type=hidden]), select")];

  document.addEventListener("keydown", (event) => {
    if (event.key !== "Enter" || event.isComposing || event.target.tagName !== "INPUT") return;
    const row = event.target.closest("fieldset.row");
    const rows = row && row.closest("fieldset.rows");
    if (!rows) return;
    const all = fields(rows);
    const at = all.indexOf(event.target);
    const last = at === all.length - 1;
    // An empty last row says that there are no more: Enter then sends the form.
    if (last && fields(row).every((field) => field.value === "")) return;
    event.preventDefault();
    if (last) rows.querySelector("[name=_more]").click();
    else all[at + 1].focus();
  });

  document.addEventListener("click", (event) => {
    if (event.target.name === "_more") sessionStorage.setItem(NEW, event.target.closest("fieldset.rows").id);
  });

  const added = sessionStorage.getItem(NEW);
  sessionStorage.removeItem(NEW);
  const rows = added && document.getElementById(added);
  const last = rows && [...rows.querySelectorAll("fieldset.row")].pop();
  if (last) fields(last)[0].focus();
})();
