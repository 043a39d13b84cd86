"use strict";
/* What a form needs when the network drops: a draft on this device, and sending it once it is back.
   The form's key goes along, so that what was sent twice is one event. A photograph waits in the
   browser's own data base, for a draft of text has no room for it. */
(() => {
  const WORDS = JSON.parse(document.documentElement.dataset.words);
  const say = (key, told = {}) => WORDS[key].replace(/\{(\w+)\}/g, (all, name) => name in told ? told[name] : all);
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
  const told = (path) => path.split("/").slice(1).filter((part) => part !== "v").map((part) => WORDS.forms[part] || part).join(", ");
  const token = async () => (await (await fetch("/token", { cache: "no-store" })).json()).token;

  /* Photographs that wait: {key, path, fields, file, asks}. */
  const opened = () => new Promise((done, failed) => {
    const asked = indexedDB.open("roadworn", 1);
    asked.onupgradeneeded = () => asked.result.createObjectStore("photographs", { keyPath: "key" });
    asked.onsuccess = () => done(asked.result);
    asked.onerror = () => failed(asked.error);
  });
  const pictures = async (mode, act) => {
    const base = await opened();
    try {
      return await new Promise((done, failed) => {
        const run = base.transaction("photographs", mode);
        const asked = act(run.objectStore("photographs"));
        run.oncomplete = () => done(asked.result);
        run.onerror = run.onabort = () => failed(run.error);
      });
    } finally { base.close(); }
  };
  const keptPictures = async () => { try { return await pictures("readonly", (all) => all.getAll()); } catch { return []; } };

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

  const post = async (path, fields, file = null) => {
    const body = file ? new FormData() : new URLSearchParams();
    for (const [name, value] of fields) if (name !== "token") body.append(name, value);
    body.append("token", await token());
    if (file) body.append("file", file, file.name || "photograph");
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
          tell(say("sent", { what: told(path) }));
        } else {
          kept.waiting = false;
          kept.asks = true;
          store.set(key, kept);
          tell(say("asks", { what: told(path) }));
        }
      }
      for (const kept of (await keptPictures()).filter((one) => !one.asks)) {
        let answer;
        try { answer = await post(kept.path, kept.fields, kept.file); } catch { break; }
        if (answer.ok) {
          await pictures("readwrite", (all) => all.delete(kept.key));
          tell(say("sent", { what: told(kept.path) }));
          if (location.pathname === kept.path) { location.assign((await answer.json()).to); return; }
        } else {
          await pictures("readwrite", (all) => all.put({ ...kept, asks: true }));
          tell(say("asks", { what: told(kept.path) }));
          await showKept();
        }
      }
    } finally { busy = false; }
    const left = waiting().length + (await keptPictures()).filter((one) => !one.asks).length;
    if (left) tell(say("waits", { n: left }));
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
      count.textContent = many ? say(by ? "count_by" : "count", { n: many, by }) : say("nothing");
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
        if (kept.asks) tell(say("again"));
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
        tell(say("kept"));
      }
    });
  };

  for (const form of document.querySelectorAll("form[data-draft]")) draftOf(form);

  /* What was kept here and is asked about: send it as it is, or throw it away. */
  const showKept = async () => {
    const section = document.getElementById("kept");
    if (!section) return;
    const mine = (await keptPictures()).filter((one) => one.path === location.pathname);
    const list = section.querySelector("ul");
    for (const img of list.querySelectorAll("img")) URL.revokeObjectURL(img.src);
    list.replaceChildren(...mine.map((kept) => {
      const line = document.createElement("li");
      const img = document.createElement("img");
      img.src = URL.createObjectURL(kept.file);
      img.alt = new Map(kept.fields).get("note") || kept.file.name || "";
      const key = (word, act) => {
        const made = document.createElement("button");
        made.type = "button";
        made.className = "key";
        made.textContent = say(word);
        made.addEventListener("click", act);
        return made;
      };
      const send = key("send", () => {
        const form = document.querySelector("form[data-photograph]");
        const files = new DataTransfer();
        files.items.add(kept.file);
        form.elements.file.files = files.files;
        for (const [name, value] of kept.fields) if (form.elements[name] && !NOT_KEPT.has(name)) form.elements[name].value = value;
        form.requestSubmit();
      });
      const drop = key("drop", async () => { await pictures("readwrite", (all) => all.delete(kept.key)); await showKept(); });
      line.append(img, send, drop);
      return line;
    }));
    section.hidden = !mine.length;
  };

  for (const form of document.querySelectorAll("form[data-photograph]")) {
    const posted = form.closest("main").querySelector(".alert") !== null;
    if (!posted) form.elements.key.value = fresh();
    form.addEventListener("submit", async (event) => {
      const file = form.elements.file.files[0];
      if (!file) return;
      event.preventDefault();
      if (file.size > Number(form.dataset.most)) { tell(say("large")); return; }
      const write = form.querySelector(".write");
      const fields = [...new FormData(form)].filter(([, value]) => typeof value === "string");
      const key = form.elements.key.value;
      write.disabled = true;
      try {
        const answer = await post(location.pathname, fields, file);
        if (answer.ok) {
          await pictures("readwrite", (all) => all.delete(key)).catch(() => {});
          location.assign((await answer.json()).to);
          return;
        }
        form.elements.token.value = await token();
        form.submit();
      } catch {
        write.disabled = false;
        try {
          await pictures("readwrite", (all) => all.put({ key, path: location.pathname, fields: fields.filter(([name]) => !NOT_KEPT.has(name)), file }));
          form.reset();
          form.elements.key.value = fresh();
          tell(say("photograph"));
          await showKept();
        } catch { tell(say("no_room")); }
      }
    });
  }
  showKept();

  if (document.querySelector("[data-again]")) {
    setTimeout(() => { if (!document.activeElement || document.activeElement === document.body) location.reload(); }, 3000);
  }
  addEventListener("online", sendWaiting);
  addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });
  setInterval(async () => { if (waiting().length || (await keptPictures()).some((one) => !one.asks)) sendWaiting(); }, 8000);
  sendWaiting();
  if ("serviceWorker" in navigator && isSecureContext) navigator.serviceWorker.register("/worker.js").catch(() => {});
})();
