// Makes a page live. Without this script every page still works: it is then as old as its loading.
// The words come from the server, in data attributes of the element "live".
"use strict";

(() => {
  const line = document.getElementById("live");
  const band = document.getElementById("silent");
  const words = line.dataset;
  const silentAfter = 60; // seconds: four beats of the server are missing
  const refetchAfter = 60; // seconds: what the calendar changes shows without news
  const typingRests = 3; // seconds after the last key

  const opened = Date.now();
  let heard = 0; // when the server was last heard, by this device's clock
  let clock = ""; // the same by the facility's clocks
  let away = 0; // how far this device's clock is from the server's, in minutes
  let fetched = opened;
  let pending = false; // there is news that is not shown yet
  let typed = 0;
  let source = null;
  let busy = false;
  let shown = null; // what the content was made from

  const fill = (text, values) => text.replace(/\{(\w+)\}/g, (all, name) => (name in values ? String(values[name]) : all));
  const put = (element, text) => {
    if (element.textContent !== text) element.textContent = text;
  };

  const tick = () => {
    const now = Date.now();
    const silent = (now - (heard || opened)) / 1000 > silentAfter;
    band.hidden = !silent && away === 0;
    band.classList.toggle("stop", silent);
    if (silent) put(band, heard ? fill(words.silent, { clock }) : words.never);
    else if (away) put(band, fill(words.clocks, { minutes: away }));
    let text = heard ? fill(words.live, { seconds: Math.max(0, Math.round((now - heard) / 1000)), clock }) : words.waiting;
    if (pending && typing()) text = words.typing;
    put(line, text);
    line.classList.toggle("late", silent);
    if (now - fetched > refetchAfter * 1000) pending = true;
    if (pending) refetch();
  };

  const news = (event) => {
    const said = JSON.parse(event.data);
    heard = Date.now();
    clock = said.clock;
    const apart = Math.abs(heard - said.now);
    away = apart > 60000 ? Math.round(apart / 60000) : 0;
  };

  // The session is locked or over: what the page shows is for nobody any more.
  const leave = () => {
    rest();
    document.getElementById("main").replaceChildren();
    location.replace("lock?" + new URLSearchParams({ to: location.pathname + location.search }));
  };

  const listen = () => {
    if (source) return;
    source = new EventSource(words.from);
    source.addEventListener("beat", (event) => {
      news(event);
      tick();
    });
    source.addEventListener("changed", (event) => {
      news(event);
      pending = true;
      tick();
    });
    source.addEventListener("ended", leave);
    source.addEventListener("error", async () => {
      if (!source || source.readyState !== EventSource.CLOSED || !document.getElementById("session")) return;
      const answer = await fetch(words.from, { method: "HEAD", cache: "no-store", headers: { "Cannulary-By-Page": "1" } }).catch(() => null);
      if (answer && answer.status === 401) leave();
    });
  };
  const rest = () => {
    if (source) source.close();
    source = null;
  };

  // A field that a person changed, or is about to change, must not be swapped away.
  const typing = () => {
    if (Date.now() - typed < typingRests * 1000) return true;
    for (const field of document.querySelectorAll("main input, main textarea")) {
      if (field.type === "checkbox" || field.type === "radio" ? field.checked !== field.defaultChecked : field.value !== field.defaultValue) return true;
    }
    for (const option of document.querySelectorAll("main option")) {
      if (option.selected !== option.defaultSelected && option.closest("select").querySelector("option[selected]")) return true;
    }
    return false;
  };

  const refetch = async () => {
    if (busy || typing() || document.hidden) return;
    busy = true;
    try {
      const asks = { Accept: "text/html", "Cannulary-By-Page": "1", ...(words.page && { "Cannulary-Page": words.page }) };
      const answer = await fetch(location.href, { headers: asks, cache: "no-store" });
      if (answer.status === 401 && document.getElementById("session")) leave();
      if (!answer.ok || answer.redirected) return;
      const text = await answer.text();
      if (typing()) return;
      pending = false;
      const main = new DOMParser().parseFromString(text, "text/html").getElementById("main");
      if (main && main.innerHTML !== shown) swap(main);
    } catch {
      // The server is gone: the band says so in time.
    } finally {
      fetched = Date.now();
      busy = false;
    }
  };

  // A place in the page that is the same after a swap: its id, or else its path from the nearest
  // element with an id.
  const place = (element, root) => {
    const steps = [];
    for (let at = element; at && at !== root; at = at.parentElement) {
      if (at.id) return { id: at.id, steps };
      steps.unshift([at.tagName, [...at.parentElement.children].filter((x) => x.tagName === at.tagName).indexOf(at)]);
    }
    return { id: "", steps };
  };
  const find = (root, { id, steps }) => {
    let at = id ? root.querySelector("#" + CSS.escape(id)) : root;
    for (const [tag, nth] of steps) at = at && [...at.children].filter((x) => x.tagName === tag)[nth];
    return at || null;
  };

  const swap = (next) => {
    const old = document.getElementById("main");
    const focused = old.contains(document.activeElement) && document.activeElement !== old ? document.activeElement : null;
    const at = focused && { where: place(focused, old), href: focused.getAttribute("href"), tag: focused.tagName };
    const selection = focused && "selectionStart" in focused ? [focused.selectionStart, focused.selectionEnd] : null;
    const folds = [...old.querySelectorAll("details")].map((d) => [place(d, old), d.open]);
    const [x, y] = [window.scrollX, window.scrollY];
    shown = next.innerHTML;
    old.replaceChildren(...next.childNodes);
    for (const [where, open] of folds) {
      const d = find(old, where);
      if (d && d.tagName === "DETAILS") d.open = open;
    }
    if (at) {
      // A link is found by where it leads, since a row may have moved.
      const same = at.href ? [...old.querySelectorAll(at.tag)].find((e) => e.getAttribute("href") === at.href) : find(old, at.where);
      if (same) {
        same.focus({ preventScroll: true });
        if (selection && selection[0] !== null && "setSelectionRange" in same) same.setSelectionRange(...selection);
      }
    }
    window.scrollTo(x, y);
    document.dispatchEvent(new CustomEvent("cannulary:swapped"));
  };

  // A scanner types like a keyboard. What it types where no field has the focus goes into the field
  // that waits for it.
  document.addEventListener("keydown", (event) => {
    const field = document.querySelector("[data-scan]");
    const busyElsewhere = document.activeElement && document.activeElement.closest("input, select, textarea, [contenteditable]");
    if (!field || busyElsewhere || event.ctrlKey || event.metaKey || event.altKey || event.key.length !== 1 || event.key === " ") return;
    field.focus();
  });
  // On a card a scan asks whether the wristband is the patient's. The answer stays where the card is;
  // another patient's covers it. Without this script the form leads to a page that says the same.
  const link = ({ address, text }) => {
    const a = document.createElement("a");
    a.className = "button";
    a.href = address;
    a.textContent = text;
    return a;
  };
  const paragraph = (...parts) => {
    const p = document.createElement("p");
    p.append(...parts);
    return p;
  };
  const told = (said) => {
    document.getElementById("scanned")?.remove();
    const right = said.result === "same";
    const box = document.createElement(right ? "p" : "dialog");
    box.id = "scanned";
    box.className = right ? "scanned" : "scan " + said.result;
    if (right) {
      box.setAttribute("role", "status");
      document.querySelector("header.frame").after(box);
      box.textContent = "✓ " + said.title + ": " + said.text;
      return;
    }
    const title = document.createElement("h1");
    title.id = "scanned-title";
    title.textContent = "✕ " + said.title;
    box.setAttribute("role", "alertdialog");
    box.setAttribute("aria-labelledby", title.id);
    box.append(title, paragraph(said.text), paragraph(...[said.card, said.other].filter(Boolean).map(link)));
    box.addEventListener("cancel", (event) => event.preventDefault());
    document.body.append(box);
    box.showModal();
  };
  document.addEventListener("submit", async (event) => {
    const form = event.target;
    if (form.getAttribute("action") !== "confirm") return;
    event.preventDefault();
    const field = form.querySelector("[name=scan]");
    try {
      const answer = await fetch("confirm?" + new URLSearchParams(new FormData(form)), { headers: { Accept: "application/json" }, cache: "no-store" });
      if (!answer.ok) throw new Error(String(answer.status));
      field.value = field.defaultValue;
      told(await answer.json());
    } catch {
      form.submit(); // the page says what is wrong
    }
  });
  document.addEventListener("input", () => {
    typed = Date.now();
  });
  document.addEventListener("visibilitychange", () => {
    // A browser allows few connections to one server; a page that nobody sees needs none.
    if (document.hidden) {
      rest();
    } else {
      pending = true;
      listen();
      tick();
    }
  });
  shown = document.getElementById("main").innerHTML;
  listen();
  tick();
  setInterval(tick, 1000);
})();
