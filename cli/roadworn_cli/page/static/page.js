"use strict";
/* What a form needs when the network drops: a draft on this device, and sending it once it is back.
   The form's key goes along, so that what was sent twice is one event. */
(() => {
  const net = document.getElementById("net");
  const tell = (text) => { if (net) { net.textContent = text; net.hidden = !text; } };
  const fresh = () => {
    const bytes = crypto.getRandomValues(new Uint8Array(12));
    return [...bytes].map((one) => one.toString(16).padStart(2, "0")).join("");
  };
  const NOT_KEPT = new Set(["token", "sure", "seen"]);
  const store = {
    get(key) { try { return JSON.parse(localStorage.getItem(key) || "null"); } catch { return null; } },
    set(key, value) { try { localStorage.setItem(key, JSON.stringify(value)); return true; } catch { return false; } },
    drop(key) { try { localStorage.removeItem(key); } catch { /* nothing was kept */ } },
  };
  const nameOf = (path) => `draft:${path}`;
  const token = async () => (await (await fetch("/token", { cache: "no-store" })).json()).token;

  /* Drafts of other pages that wait to be sent. */
  const waiting = () => {
    const found = [];
    for (let at = 0; at < localStorage.length; at += 1) {
      const key = localStorage.key(at);
      const kept = key.startsWith("draft:") ? store.get(key) : null;
      if (kept && kept.waiting) found.push([key, kept]);
    }
    return found;
  };

  const post = async (path, fields) => {
    const body = new URLSearchParams();
    for (const [name, value] of fields) if (name !== "token") body.append(name, value);
    body.append("token", await token());
    return fetch(path, { method: "POST", body, headers: { "x-page": "1" } });
  };

  let busy = false;
  const sendWaiting = async () => {
    if (busy) return;
    busy = true;
    try {
      for (const [key, kept] of waiting()) {
        const path = key.slice("draft:".length);
        let answer;
        try { answer = await post(path, kept.fields); } catch { break; }
        if (answer.ok) {
          store.drop(key);
          if (location.pathname === path) { location.assign((await answer.json()).to); return; }
          tell(`Sent: ${path.split("/").slice(2).join(", ")}.`);
        } else {
          kept.waiting = false;
          kept.asks = true;
          store.set(key, kept);
          tell(`Not written yet: open ${path.split("/").slice(2).join(", ")} again, something is asked.`);
        }
      }
    } finally { busy = false; }
    const left = waiting().length;
    if (left) tell(`No network: ${left === 1 ? "a form waits" : `${left} forms wait`} on this device and is sent when it is back.`);
  };

  const draftOf = (form) => {
    const key = nameOf(location.pathname);
    const count = form.querySelector("[data-count]");
    const posted = form.closest("main").querySelector(".alert") !== null;
    const fields = () => [...new FormData(form)].filter(([name, value]) => typeof value === "string" && !NOT_KEPT.has(name));
    const first = new Map(fields());
    const changed = () => fields().filter(([name, value]) => name !== "key" && name !== "by" && (first.get(name) || "") !== value);
    const show = () => {
      if (!count) return;
      const many = form.hasAttribute("data-items")
        ? form.querySelectorAll("fieldset.item:not(.rest) input[type=radio]:checked").length + [...form.querySelectorAll(".measure input")].filter((one) => one.value && !one.closest("fieldset").querySelector("input:checked")).length
        : changed().length;
      const by = form.elements.by ? form.elements.by.value.trim() : "";
      count.textContent = many ? `${many} not written yet${by ? `, by ${by}` : ""}.` : "Nothing is written yet.";
    };
    const restore = (kept) => {
      const values = new Map();
      for (const [name, value] of kept.fields) values.set(name, value);
      for (const one of form.elements) {
        if (!one.name || NOT_KEPT.has(one.name)) continue;
        if (one.type === "radio" || one.type === "checkbox") one.checked = values.get(one.name) === one.value;
        else if (values.has(one.name) && one.type !== "file") one.value = values.get(one.name);
      }
    };
    const kept = store.get(key);
    if (!posted) {
      form.elements.key.value = fresh();
      if (kept) {
        restore(kept);
        if (kept.asks) tell("This form was kept on this device and is not written yet: send it again.");
      }
    }
    show();
    const keep = (more = {}) => store.set(key, { fields: fields(), at: Date.now(), ...more });
    form.addEventListener("input", () => { show(); keep(); });
    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      const write = form.querySelector(".write");
      write.disabled = true;
      keep();
      try {
        const answer = await post(location.pathname, [...new FormData(form)].filter(([, value]) => typeof value === "string"));
        if (answer.ok) {
          store.drop(key);
          location.assign((await answer.json()).to);
          return;
        }
        /* It asks or refuses: let the browser show that, the same key goes along. */
        if (form.elements.token) form.elements.token.value = await token();
        form.submit();
      } catch {
        keep({ waiting: true });
        write.disabled = false;
        tell("No network: this form is kept on this device and is sent when it is back. Nothing is lost.");
      }
    });
  };

  for (const form of document.querySelectorAll("form[data-draft]")) draftOf(form);

  /* A look-over is long: a pressed key takes the eye to the next row's keys. */
  for (const form of document.querySelectorAll("form[data-most]")) {
    form.addEventListener("submit", (event) => {
      const file = form.querySelector("input[type=file]").files[0];
      if (file && file.size > Number(form.dataset.most)) {
        event.preventDefault();
        tell("That photograph is larger than 25 MB: send a smaller one.");
      }
    });
  }

  if (document.querySelector("[data-again]")) {
    setTimeout(() => { if (!document.activeElement || document.activeElement === document.body) location.reload(); }, 3000);
  }
  addEventListener("online", sendWaiting);
  addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });
  setInterval(() => { if (waiting().length) sendWaiting(); }, 8000);
  sendWaiting();
  if ("serviceWorker" in navigator && isSecureContext) navigator.serviceWorker.register("/worker.js").catch(() => {});
})();
