// Packing on a phone: a scanned lot opens its row in place, the empty crate's weight is kept, and what could not be
// sent is kept on this phone and sent later, in order, under the same name, so that the farm does it once.
"use strict";

(() => {
  const KEPT = "farm-kept";
  const SOON = 5000;
  const LINE_DOWN = new Set([502, 503, 504]);
  const box = document.getElementById("kept");
  const actor = box.dataset.actor;

  // ---- What is kept ---------------------------------------------------------

  const kept = () => {
    try { return JSON.parse(localStorage.getItem(KEPT)) || []; } catch { return []; }
  };
  const write = (entries) => {
    localStorage.setItem(KEPT, JSON.stringify(entries));
    show();
  };
  const waiting = () => kept().filter((entry) => !entry.refused && entry.actor === actor);
  const change = (id, more) => write(kept().map((entry) => (entry.id === id ? { ...entry, ...more } : entry)));
  const forget = (id) => write(kept().filter((entry) => entry.id !== id));

  // True where it is kept: there may be no room, or the phone may not allow it.
  const keep = (form, pairs) => {
    const id = pairs.find(([name]) => name === "once")?.[1];
    if (!id) return false;
    if (kept().some((entry) => entry.id === id && !entry.refused)) return true;
    const scale = form.elements.scale;
    const entry = {
      id, actor, path: form.getAttribute("action"), pairs: pairs.filter(([name]) => name !== "csrfmiddlewaretoken"),
      row: form.closest(".pick")?.id || "", line: form.closest(".line")?.id || "",
      what: form.dataset.keep + (scale ? ` (${scale.value}${form.elements.kit_numbers ? "" : " g on the scale"})` : ""),
    };
    try { write([...kept().filter((each) => each.id !== id), entry]); } catch { return false; }
    return true;
  };

  const element = (name, text, className) => {
    const made = document.createElement(name);
    if (text) made.textContent = text;
    if (className) made.className = className;
    return made;
  };
  const button = (text, action) => {
    const made = element("button", text, "quiet");
    made.type = "button";
    made.addEventListener("click", action);
    return made;
  };

  let why = "";
  const show = () => {
    const all = kept();
    box.hidden = all.length === 0;
    box.replaceChildren();
    const own = all.filter((entry) => entry.actor === actor && !entry.refused);
    const others = all.filter((entry) => entry.actor !== actor);
    const refused = all.filter((entry) => entry.actor === actor && entry.refused);
    if (own.length) {
      const head = element("p", `Kept on this phone, ${own.length} waiting. `, "kept-head");
      head.setAttribute("role", "status");
      box.append(head, element("p", why || "They are sent by themselves when the line is back. Leave this page open until then."));
      const list = element("ul");
      own.forEach((entry) => list.append(element("li", entry.what)));
      box.append(list, button("Send now", () => replay()));
    }
    if (others.length) {
      const names = [...new Set(others.map((entry) => entry.actor.replace("user:", "")))].join(", ");
      box.append(element("p", `${others.length} kept for ${names}: sent once they sign in on this phone.`));
    }
    if (refused.length) {
      box.append(element("p", "Not saved, for a person to look at:", "kept-head"));
      const list = element("ul");
      refused.forEach((entry) => {
        const item = element("li", `${entry.what}. ${entry.refused} `, "refused");
        if (document.getElementById(entry.row)) item.append(button("Go to its row", () => open(document.getElementById(entry.row))), " ");
        item.append(button("I have seen to it", () => forget(entry.id)));
        list.append(item);
      });
      box.append(list);
    }
    const rows = new Set(own.map((entry) => entry.row));
    document.querySelectorAll(".pick").forEach((row) => {
      const here = rows.has(row.id);
      const mark = row.querySelector(".kept-mark");
      if (mark) mark.hidden = !here;
      row.querySelectorAll("form[data-keep] button[type=submit]").forEach((each) => { each.disabled = here; });
    });
  };

  // ---- Sending again --------------------------------------------------------

  const token = () => document.querySelector("input[name=csrfmiddlewaretoken]")?.value || "";
  let sending = false;

  const replay = async () => {
    if (sending) return;
    sending = true;
    try {
      for (let entry = waiting()[0]; entry; entry = waiting()[0]) {
        if (!(await send(entry))) break;
      }
    } finally {
      sending = false;
      show();
    }
  };

  // True where it is settled, done or refused; false where it has to wait.
  const send = async (entry) => {
    const body = new URLSearchParams([...entry.pairs, ["csrfmiddlewaretoken", token()]]);
    let answer, text;
    try {
      answer = await fetch(entry.path, { method: "POST", body, headers: { "HX-Request": "true" }, credentials: "same-origin" });
      text = await answer.text();
    } catch {
      why = "";
      return false;
    }
    if (answer.redirected && new URL(answer.url).pathname.startsWith("/sign-in")) {
      why = "You have been signed out: open the sign-in page in another tab, sign in, and come back.";
      return false;
    }
    if (answer.status >= 500) {
      why = "The farm’s computer cannot take them just now. They are sent again soon.";
      return false;
    }
    why = "";
    const page = new DOMParser().parseFromString(text, "text/html");
    if (answer.ok) {
      forget(entry.id);
      swap(page);
      return true;
    }
    if (answer.status === 403 && !page.querySelector("main .lead")) {
      why = "This page is too old to send them: open it again, they stay kept.";
      return false;
    }
    const said = page.querySelector(".asks p, .pick .errorlist li, .taken .errorlist li, .problems p, main .lead");
    change(entry.id, { refused: said?.textContent.trim() || "The farm did not take it." });
    return true;
  };

  const swap = (page) => {
    for (const fresh of page.querySelectorAll(".line[id], #progress, .mark[id]")) {
      const old = document.getElementById(fresh.id);
      if (!old) continue;
      fresh.removeAttribute("hx-swap-oob");
      const imported = document.importNode(fresh, true);
      old.replaceWith(imported);
      window.htmx?.process(imported);
    }
  };

  const isKept = (target) => target instanceof HTMLFormElement && target.dataset.keep !== undefined;
  const pairsOf = (detail) => [...detail.requestConfig.formData.entries()].map(([name, value]) => [name, String(value)]);

  // Behind what is kept already, so that the order holds.
  document.addEventListener("htmx:beforeRequest", (event) => {
    const form = event.detail.elt;
    if (!isKept(form) || !waiting().length) return;
    if (keep(form, pairsOf(event.detail))) { event.preventDefault(); replay(); }
  });
  const failed = (event) => {
    const form = event.detail.elt;
    if (!isKept(form)) return;
    if (!keep(form, pairsOf(event.detail))) tell("This could not be sent, and this phone cannot keep it: write it on paper.");
  };
  document.addEventListener("htmx:sendError", failed);
  document.addEventListener("htmx:timeout", failed);
  document.addEventListener("htmx:responseError", (event) => {
    if (LINE_DOWN.has(event.detail.xhr.status)) failed(event);
    else if (isKept(event.detail.elt) && event.detail.xhr.status !== 422) {
      const page = new DOMParser().parseFromString(event.detail.xhr.responseText, "text/html");
      tell(page.querySelector("main .lead")?.textContent || "This was not saved: open the page again and look.");
    }
  });
  // A refused form is shown with what is wrong, like any other answer; a sign-in page is not swapped into a row.
  document.addEventListener("htmx:beforeSwap", (event) => {
    const { xhr } = event.detail;
    if (xhr.status === 422) { event.detail.shouldSwap = true; event.detail.isError = false; }
    if (xhr.responseURL && new URL(xhr.responseURL).pathname.startsWith("/sign-in")) {
      event.detail.shouldSwap = false;
      failed({ detail: { elt: event.detail.requestConfig.elt, requestConfig: event.detail.requestConfig } });
      why = "You have been signed out: open the sign-in page in another tab, sign in, and come back.";
      show();
    }
  });
  document.addEventListener("htmx:afterSettle", () => show());

  const tell = (sentence) => {
    const said = element("p", sentence, "said error");
    document.getElementById("said").replaceChildren(said);
    said.scrollIntoView({ block: "center" });
  };

  window.addEventListener("online", () => replay());
  setInterval(() => { if (waiting().length) replay(); }, SOON);
  window.addEventListener("storage", (event) => { if (event.key === KEPT) show(); });
  window.addEventListener("beforeunload", (event) => { if (waiting().length && !navigator.onLine) event.preventDefault(); });

  // ---- Scanner ----------------------------------------------------------------

  const bare = (code) => code.toUpperCase().replace(/[^0-9A-Z]/g, "");
  const scan = document.querySelector("form.scan");
  const field = scan.elements.scan;
  const answer = document.getElementById("scan-said");

  const open = (row, kit) => {
    document.querySelectorAll(".pick.scanned").forEach((each) => each.classList.remove("scanned"));
    row.classList.add("scanned");
    for (const more of row.querySelectorAll("details.more-of-it")) more.open = true;
    const form = row.querySelector("form.weigh");
    if (kit && form?.elements.kit_numbers) {
      const numbers = form.elements.kit_numbers.value.split(/[\s,;]+/).filter(Boolean);
      if (!numbers.includes(kit)) numbers.push(kit);
      form.elements.kit_numbers.value = numbers.join(" ");
      form.elements.scale.value = numbers.length;
      row.querySelector("details.other").open = true;
    }
    row.scrollIntoView({ block: "center" });
    const weight = form?.elements.scale;
    if (weight) { weight.focus({ preventScroll: true }); weight.select(); }
  };

  scan.addEventListener("submit", async (event) => {
    const code = bare(field.value);
    if (!code) return;
    event.preventDefault();
    answer.textContent = "";
    const rows = [...document.querySelectorAll(".pick")].filter((row) => bare(row.dataset.lot) === code);
    if (rows.length) {
      field.value = "";
      open(rows.find((row) => !row.classList.contains("done") && row.querySelector(".kept-mark")?.hidden !== false) || rows[0]);
      return;
    }
    try {
      const found = await fetch(`${scan.action}?${new URLSearchParams({ scan: field.value })}`, { credentials: "same-origin" });
      const asked = new URL(found.url).searchParams;
      const row = document.getElementById(asked.get("open") || "");
      if (row) {
        field.value = "";
        open(row, asked.get("kit"));
        return;
      }
      const page = new DOMParser().parseFromString(await found.text(), "text/html");
      answer.textContent = page.getElementById("scan-said")?.textContent || "Open this page again: the list has changed.";
    } catch {
      answer.textContent = "No lot on this list has this code. A kit’s number is looked up once the line is back.";
    }
    field.select();
  });

  // ---- Empty crate --------------------------------------------------------------

  const tare = document.getElementById("tare");
  tare.addEventListener("submit", async (event) => {
    if (navigator.onLine) return;
    // Without a line the page must stay: the weight goes into the rows that are on it.
    event.preventDefault();
    const typed = tare.elements.tare.value.trim().toLowerCase().replace(",", ".");
    const grams = Math.round(parseFloat(typed || "0") * (typed.endsWith("kg") ? 1000 : 1));
    if (!(grams >= 0)) return;
    document.querySelectorAll("form.weigh").forEach((form) => {
      if (form.elements.kit_numbers) return;
      form.elements.tare.value = grams;
      form.elements.scale.value = Number(form.elements.scale.dataset.left) + grams;
      form.querySelector(".tare-said").textContent = grams ? `with the crate of ${grams} g` : "g";
    });
  });

  show();
  if (waiting().length) replay();
})();
