// What a page does beyond its HTML; every page works without it.
"use strict";

// What is wrong is read first, by eye and by screen reader.
const first = () => document.querySelector(".asks, .problems");
document.addEventListener("DOMContentLoaded", () => first()?.focus());
document.addEventListener("htmx:afterSettle", (event) => event.target.querySelector?.(".asks, .problems")?.focus());

// A form is sent once however often the button is pressed; it also carries a name of its own for the server.
document.addEventListener("submit", (event) => {
  const form = event.target;
  if (event.defaultPrevented || form.method !== "post") return;
  if (form.dataset.sent) { event.preventDefault(); return; }
  form.dataset.sent = "yes";
  setTimeout(() => delete form.dataset.sent, 4000);
});
window.addEventListener("pageshow", () => document.querySelectorAll("form[data-sent]").forEach((form) => delete form.dataset.sent));

document.addEventListener("click", (event) => {
  if (event.target.closest("[data-print]")) window.print();
});
