// The bench page in the browser: shows what the server sends, and posts what a person does.
// It decides nothing. A press of Enter, space bar or pedal accepts and confirms, and does nothing else.
"use strict";
(() => {
  const HOLD_MS = 2000, BOUNCE_MS = 300, RETRY_MS = 1500, PATIENCE_MS = 25000;
  const kept = (name, usual) => { try { return localStorage.getItem(name) ?? usual; } catch { return usual; } };
  const keep = (name, value) => { try { localStorage.setItem(name, value); } catch { /* private window: not kept */ } };
  const root = document.documentElement;
  const LOOKS = ["auto", "light", "dark"], LOOK_WORDS = { auto: "as the system", light: "light", dark: "dark" };
  let look = LOOKS.includes(kept("look", "auto")) ? kept("look", "auto") : "auto";
  root.dataset.look = look;
  root.dataset.pad = kept("pad", matchMedia("(pointer: coarse)").matches ? "on" : "off");
  let sound = kept("sound", "on") === "on";

  const $ = (id) => document.getElementById(id);
  const main = () => $("sheet");
  const write = (element, text) => { if (element && element.textContent !== text) element.textContent = text; };
  let page = "", shownRest = "", mine = false, connected = false, busy = false, panel = null, live = null, clock = null, away = null;

  // --- sounds: short, never the only sign ------------------------------------------------------
  let audio = null;
  const TONES = { accepted: [[660, 0], [990, 0.09]], question: [[520, 0], [520, 0.16]], stop: [[440, 0], [262, 0.17]] };
  function tone(name) {
    if (!sound || !audio || !TONES[name]) return;
    for (const [hertz, after] of TONES[name]) {
      const at = audio.currentTime + after, voice = audio.createOscillator(), gain = audio.createGain();
      voice.frequency.value = hertz;
      gain.gain.setValueAtTime(0.0001, at);
      gain.gain.exponentialRampToValueAtTime(0.2, at + 0.015);
      gain.gain.exponentialRampToValueAtTime(0.0001, at + 0.13);
      voice.connect(gain).connect(audio.destination);
      voice.start(at);
      voice.stop(at + 0.15);
    }
  }
  const wakeAudio = () => { if (sound && !audio && window.AudioContext) audio = new AudioContext(); };

  // --- saying things ---------------------------------------------------------------------------
  function say(text, urgent) {
    const place = $(urgent ? "alert" : "polite");
    place.textContent = "";
    requestAnimationFrame(() => { place.textContent = text; });
  }
  function notice(text) {
    const strip = $("said");
    strip.textContent = text;
    strip.hidden = !text;
    if (text) say(text, false);
  }

  // --- posts -----------------------------------------------------------------------------------
  let sent = "";
  function markBusy(on) {
    busy = on;
    if (!on) sent = "";
    const key = $("accept");
    if (key) key.setAttribute("aria-disabled", String(on || !mine || !connected));
  }
  async function post(what, more) {
    if (what !== "pen" && !mine) { notice("This page only watches: another one answers. To answer on this one, press “Answer here”."); return null; }
    if (!connected) { notice("No connection to the bench program: nothing was sent."); return null; }
    if (busy && what !== "pen") return null;
    const key = main().dataset.key, early = new AbortController();
    const patience = setTimeout(() => early.abort(), PATIENCE_MS);
    markBusy(true);
    sent = key;
    try {
      const answer = await fetch("/do", {
        method: "POST", credentials: "same-origin", cache: "no-store", signal: early.signal,
        headers: { "Content-Type": "application/json", "X-Holdzero": "bench" },
        body: JSON.stringify({ pen: page, seq: Number(main().dataset.seq), what, ...more }),
      });
      const said = await answer.json();
      if (said.ok) { notice(""); return { ok: true }; }
      if (!said.soft) {
        // What the sheet itself says need not be said twice.
        if (answer.status !== 422 || !$("refused")) complain(said.why || "not taken");
        tone("question");
      }
      return { ok: false, why: said.why };
    } catch {
      notice("The bench program did not answer. Look at what is asked now before you go on.");
      return null;
    } finally {
      clearTimeout(patience);
      markBusy(false);
    }
  }
  const sentence = (text) => text.charAt(0).toUpperCase() + text.slice(1) + (/[.!?]$/.test(text) ? "" : ".");
  function complain(text) {
    const open = panel && $(`panel-${panel.name}`);
    const place = (open && open.querySelector(".complaint")) || $("entry-complaint") || $("start-complaint");
    if (place) place.textContent = sentence(text);
    else notice(sentence(text));
  }
  const quiet = () => { for (const place of document.querySelectorAll("form .complaint[role=alert]")) place.textContent = ""; };

  // --- answering -------------------------------------------------------------------------------
  // What ends a soak early is refused once, with what is missing; said again it counts, but not by a key that bounces.
  const READ_MS = 1500;
  let unsure = null, unsureSince = 0;
  function sure(text) {
    const now = performance.now(), again = unsure === text && now - unsureSince > READ_MS;
    unsure = main().dataset.state === "soak" ? text : null;
    unsureSince = now;
    return { text, sure: again };
  }
  async function answer(text) {
    quiet();
    const said = await post("answer", sure(text)), entry = $("entry");
    if (said && said.ok && entry && main().dataset.state === "soak") entry.value = "";
    return said;
  }
  function press() {
    const sheet = main(), entry = $("entry");
    if (entry && entry.value.trim()) return void answer(entry.value);
    const key = $("accept");
    if (key && sheet.dataset.pedal === "accept") {
      quiet();
      if (sheet.dataset.what === "answer") return void answer("");
      return void post(sheet.dataset.what, {});
    }
    if (sheet.dataset.state === "soak") return complain("the soak goes on by itself; to end it early, press “End early”");
    if (entry) return complain("nothing is typed: type the answer, then Enter");
    if (sheet.dataset.state === "stopped") return complain("this needs a choice: press one of the buttons above");
  }

  // --- keys ------------------------------------------------------------------------------------
  const isPress = (event) => event.key === "Enter" || event.key === " ";
  const takesText = (element) => element.matches("input:not([type=radio]):not([type=checkbox]), textarea, select");
  const takesPress = (element) => element.matches("button, a[href], summary, input[type=radio], input[type=checkbox]");
  let down = false, lastPress = 0, hold = 0;

  function startHold() {
    const key = $("accept");
    if (!key || hold) return;
    key.classList.add("holding");
    write($("accept-word"), "Hold on: 2 seconds");
    hold = setTimeout(() => { endHold(""); answer(""); }, HOLD_MS);
  }
  function endHold(words) {
    if (!hold) return;
    clearTimeout(hold);
    hold = 0;
    const key = $("accept");
    if (key) key.classList.remove("holding");
    write($("accept-word"), "Compare and finish");
    if (words) complain(words);
  }
  document.addEventListener("keydown", (event) => {
    if (event.isComposing || event.ctrlKey || event.altKey || event.metaKey) return;
    const at = document.activeElement || document.body, entry = $("entry");
    if (isPress(event)) {
      wakeAudio();
      // A held key is one press, wherever it is.
      if (event.repeat || (down && !takesText(at))) { event.preventDefault(); event.stopImmediatePropagation(); return; }
      down = true;
      if (at === entry && (event.key === "Enter" || !entry.value)) { event.preventDefault(); pressed(); return; }
      if (takesText(at)) return;
      if (at.matches("input[type=radio]")) { if (event.key === "Enter") event.preventDefault(); return; }
      if (takesPress(at)) return;
      // An open panel asks for a reason: nothing that is pressed there answers the step behind it.
      if (panel) { event.preventDefault(); return; }
      if (["choosing", "finished", "abandoned", "interrupted"].includes(main().dataset.state)) return;
      event.preventDefault();
      if (main().dataset.pedal === "hold") { startHold(); return; }
      pressed();
      return;
    }
    if (event.key === "Escape" && panel) { closePanel(); return; }
    // An instrument or a scanner types wherever the focus is: it goes into the entry, and triggers nothing.
    if (event.key.length === 1 && entry && !panel && !takesText(at)) {
      event.preventDefault();
      entry.focus();
      insert(event.key);
    }
  }, true);
  function pressed() {
    const now = performance.now(), bare = !$("entry") || !$("entry").value.trim();
    if (bare && now - lastPress < BOUNCE_MS) return;
    lastPress = now;
    press();
  }
  document.addEventListener("keyup", (event) => {
    if (!isPress(event)) return;
    down = false;
    const key = event.key === "Enter" ? "Enter" : "the space bar";
    endHold(`that was too short to finish: hold ${key}, or the pedal, down for 2 seconds; or press the button “Compare and finish” once`);
  }, true);
  window.addEventListener("blur", () => { down = false; endHold(""); });

  function insert(sign) {
    const entry = $("entry");
    if (!entry) return;
    // Where the caret is counts only while the entry has the focus.
    const here = document.activeElement === entry, end = entry.value.length;
    const from = here ? entry.selectionStart ?? end : end, to = here ? entry.selectionEnd ?? from : end;
    if (sign === "back") entry.setRangeText("", from === to ? Math.max(0, from - 1) : from, to, "end");
    else if (sign === "clear") entry.value = "";
    else entry.setRangeText(sign, from, to, "end");
  }

  // --- panels ----------------------------------------------------------------------------------
  function openPanel(name, target, words) {
    closePanel();
    const form = $(`panel-${name}`);
    if (!form) return;
    panel = { name, target };
    form.hidden = false;
    if (words) write($("strike-name"), `Strike out entry ${target}: ${words}`);
    const first = name === "strike" || name === "again" ? form.querySelector("h2") : form.querySelector("input");
    first.focus();
    form.scrollIntoView({ block: "nearest" });
  }
  function closePanel() {
    const form = panel && $(`panel-${panel.name}`);
    if (form) {
      form.hidden = true;
      for (const input of form.querySelectorAll("input")) input.value = "";
      for (const place of form.querySelectorAll(".complaint")) place.textContent = "";
    }
    panel = null;
    settle();
  }
  function settle() {
    const open = panel && $(`panel-${panel.name}`);
    const goal = (open && open.querySelector("input")) || $("entry") || $("now");
    if (goal) goal.focus({ preventScroll: goal.id === "now" });
  }
  async function fromPanel(what, more) {
    const own = panel, said = await post(what, more);
    // Where the reply comes late, another panel may be open by then.
    if (said && said.ok && panel === own) closePanel();
  }
  const LETTERS = /\p{L}/u;
  function submitPanel(form) {
    const input = form.querySelector("input"), text = input ? input.value.trim() : "";
    const what = form.dataset.form;
    if (!LETTERS.test(text)) {
      form.querySelector(".complaint").textContent = what === "note" ? "Write the note in words first." : "A reason is needed: write it in words.";
      input.focus();
      return;
    }
    if (what === "strike") fromPanel("strike", { target: panel.target, reason: text });
    else if (what === "note") fromPanel("note", { text });
    else if (what === "early") fromPanel("answer", sure(text));
    else fromPanel(what, { reason: text });
  }

  // A finger on the number pad leaves the caret where it is.
  document.addEventListener("pointerdown", (event) => { if (event.target.closest(".pad")) event.preventDefault(); });

  // --- presses of fingers and mouse ------------------------------------------------------------
  document.addEventListener("click", (event) => {
    wakeAudio();
    const key = event.target.closest("button");
    if (!key) return;
    const { dataset } = key;
    if (key.id === "take-pen") post("pen", {}).then(settle);
    else if (key.id === "pad-key") { root.dataset.pad = root.dataset.pad === "on" ? "off" : "on"; keep("pad", root.dataset.pad); switches(); keyboards(); settle(); }
    else if (key.id === "sound-key") { sound = !sound; keep("sound", sound ? "on" : "off"); wakeAudio(); switches(); tone("accepted"); }
    else if (key.id === "look-key") { look = LOOKS[(LOOKS.indexOf(look) + 1) % LOOKS.length]; root.dataset.look = look; keep("look", look); switches(); }
    else if (key.id === "print") window.print();
    else if (dataset.key && dataset.key !== "enter") insert(dataset.key);
    else if (dataset.answer !== undefined) answer(dataset.answer);
    else if (dataset.strike) openPanel("strike", Number(dataset.strike), dataset.name);
    else if (dataset.open) openPanel(dataset.open, 0, "");
    else if (dataset.close !== undefined) closePanel();
    else if (dataset.reason) fromPanel("strike", { target: panel.target, reason: dataset.reason });
    else if (dataset.again) fromPanel("again", { slot: dataset.again });
    else if (dataset.acknowledge) post("acknowledge", { code: dataset.acknowledge });
    else if (dataset.resume) post("resume", { journal: dataset.resume });
    else if (dataset.post) post(dataset.post, dataset.null ? { [dataset.null]: null } : {});
  });
  document.addEventListener("submit", (event) => {
    event.preventDefault();
    const form = event.target;
    if (form.id === "start") start(form);
    else if (form.id === "entry-form") { press(); const entry = $("entry"); if (entry) entry.focus(); }
    else if (form.dataset.form) submitPanel(form);
  });
  document.addEventListener("change", (event) => { if (event.target.name === "routine") chosen(); });

  function chosen() {
    const routine = document.querySelector("input[name=routine]:checked");
    for (const block of document.querySelectorAll("[data-members]")) block.hidden = !routine || block.dataset.members !== routine.value;
    const several = document.querySelector("[data-batch]");
    if (several) several.hidden = ![...document.querySelectorAll("[data-takes]")].some((item) => routine && item.dataset.takes === routine.value);
  }
  // Serials that look alike are asked about once; the same begun once more says that they are two parts.
  let alike = null;
  async function start(form) {
    quiet();
    const routine = form.querySelector("input[name=routine]:checked");
    if (!routine) return complain("choose a routine first");
    const block = [...form.querySelectorAll("[data-members]")].find((item) => item.dataset.members === routine.value);
    const member = block ? block.querySelector("select").value : null;
    if (block && !member) return complain("choose the member of the part family");
    const takes = [...form.querySelectorAll("[data-takes]")].some((item) => item.dataset.takes === routine.value);
    const said = $("serials").value.trim(), serials = takes ? said.split(",").map((word) => word.trim()).filter(Boolean) : said ? [said] : [];
    const operator = $("operator").value.trim() || null, sure = alike === said;
    const reply = await post("start", { routine: routine.value, member, operator, serials, sure });
    alike = reply && reply.why && reply.why.includes("look alike") ? said : null;
  }

  // --- what the server sends -------------------------------------------------------------------
  const told = (sheet) => [...sheet.querySelectorAll(".told [data-code]")].map((item) => [item.dataset.level, item.textContent.trim()]);
  function replace(html) {
    const made = new DOMParser().parseFromString(html, "text/html").querySelector("main");
    const old = main();
    if (!made) { notice("The page could not be made. Load it again."); return; }
    const same = made.dataset.key === old.dataset.key, seen = new Set(told(old).map(([, text]) => text));
    const typed = new Map([...old.querySelectorAll("input:not([type=radio]), select")].map((item) => [item.id, item]));
    const at = document.activeElement, focus = at && old.contains(at) ? at.id : "", free = !at || at === document.body;
    const [from, to] = at && "selectionStart" in at ? [at.selectionStart, at.selectionEnd] : [null, null];
    const picked = old.querySelector("input[name=routine]:checked"), unfolded = $("earlier") && $("earlier").open;
    if (!same) { endHold(""); notice(""); }
    old.replaceWith(document.adoptNode(made));
    for (const [id, was] of typed) {
      const now = $(id);
      // What was answered is not typed any more; a note or a reason is still being written.
      if (now && was.value && (same || (id !== "entry" && now.closest(".panel")))) now.value = was.value;
    }
    if (same && picked) { const again = $(picked.id); if (again && !again.disabled) again.checked = true; }
    if (unfolded && $("earlier")) $("earlier").open = true;
    let kept = false;
    if (panel) {
      const form = $(`panel-${panel.name}`);
      const gone = !form || (panel.name === "strike" && !document.querySelector(`[data-strike="${Number(panel.target)}"]`));
      if (gone) panel = null;
      else {
        form.hidden = false;
        kept = true;
        const row = document.querySelector(`[data-strike="${Number(panel.target)}"]`);
        if (row) write($("strike-name"), `Strike out entry ${panel.target}: ${row.dataset.name}`);
      }
    }
    const again = focus && (same || kept) ? $(focus) : null;
    if (again) {
      again.focus({ preventScroll: true });
      if (from !== null && again.setSelectionRange) { try { again.setSelectionRange(from, to); } catch { /* a field without a caret */ } }
    } else if (!same || !focus || free) { if (!kept) settle(); else $(`panel-${panel.name}`).querySelector("h2").focus(); }
    begin();
    announce(same, seen, old);
  }
  function announce(same, seen, old) {
    const sheet = main(), fresh = told(sheet).filter(([, text]) => !seen.has(text));
    const stops = fresh.filter(([level]) => level === "stop").map(([, text]) => text), rest = fresh.filter(([level]) => level !== "stop").map(([, text]) => text);
    const stop = sheet.querySelector(".stop-text"), stopped = stop && old.dataset.state !== "stopped";
    if (stops.length || stopped) say([...(stopped ? [stop.textContent] : []), ...stops].join(" "), true);
    const words = [...rest, ...(same && !$("refused") ? [] : [sheet.dataset.said || sheet.dataset.tab])];
    if (words.length) say(words.join(" "), false);
    if (stopped || stops.length) tone("stop");
    else if (rest.length || $("refused")) tone("question");
    else if (!same) tone(sheet.dataset.tone === "stop" ? "stop" : "accepted");
  }
  function begin() {
    const sheet = main(), count = $("count");
    document.title = `${sheet.dataset.tab} · bench`;
    clock = count && { until: Number(count.dataset.until), length: Number(count.dataset.length), pace: Number(count.dataset.pace) };
    if (clock) setClock(Number(count.dataset.now));
    setAway($("pause"));
    shownRest = "";
    keyboards();
    chosen();
    showLive();
    markBusy(false);
  }

  // Where the number pad is on the page, the device's own would only be in the way.
  function keyboards() {
    const entry = $("entry");
    if (entry && main().dataset.numeric === "yes") entry.inputMode = root.dataset.pad === "on" ? "none" : "decimal";
  }

  // --- what is live ----------------------------------------------------------------------------
  function showLive() {
    const box = $("live");
    if (!box) return;
    const now = live || { text: "", unit: "", stand: "silent", word: "silent", why: "", taking: false, temps: [], trace: [] };
    box.dataset.stand = now.stand;
    const own = box.dataset.of && now.temps.find((item) => item.of === box.dataset.of);
    const text = own ? own.degC.toFixed(2) : now.text.replace("-", "−"), unit = own ? "°C" : now.unit;
    write($("live-text"), text || "–");
    write($("live-unit"), unit);
    write($("live-word"), now.word);
    write($("live-why"), now.taking ? "accepted: it is taken as soon as it stands still" : now.why);
    box.style.setProperty("--signs", String(Math.max(8, text.length + unit.length * 0.4)));
    const rest = $("rest");
    if (rest && now.rest && now.rest !== shownRest) {
      shownRest = now.rest;
      rest.replaceChildren(...new DOMParser().parseFromString(now.rest, "text/html").body.childNodes);
    }
    const temps = $("live-temps"), lines = now.temps.map((item) => `${item.of} ${item.degC.toFixed(2)} °C`);
    if (temps.dataset.shown !== lines.join()) {
      temps.dataset.shown = lines.join();
      temps.replaceChildren(...lines.map((line) => { const item = document.createElement("li"); item.textContent = line; return item; }));
    }
    const key = $("accept-word");
    if (key && main().dataset.what === "accept" && main().dataset.pedal === "accept" && main().dataset.state !== "confirm") write(key, now.taking ? "Waiting …" : "Accept");
    const points = now.trace, start = points.length && points[0][0], span = points.length ? points[points.length - 1][0] - start || 1 : 1;
    const values = points.map((point) => point[1]), low = Math.min(...values), high = Math.max(...values), range = high - low || 1;
    const line = $("live-trace");
    if (line) line.setAttribute("points", points.map(([t, value]) => `${(100 * (t - start) / span).toFixed(1)},${(38 - 36 * (value - low) / range).toFixed(1)}`).join(" "));
  }
  function onLive(now) {
    const was = live ? live.stand : "";
    live = now;
    if (now && clock) setClock(now.now_s);
    showLive();
    if (now && was && now.stand !== was) {
      if (now.stand === "lost") { tone("stop"); say(`${now.word}. ${now.why}`, true); }
      else if (now.stand === "unread") { tone("question"); say(`${now.word}. ${now.why}`, false); }
    }
  }
  function setClock(now) { clock.at = performance.now(); clock.now = now; showClock(); }
  function setAway(pause) {
    away = pause && { at: performance.now(), now: Number(pause.dataset.now), pace: Number(pause.dataset.pace) };
    showClock();
  }
  function clockText(seconds) {
    const hours = Math.floor(seconds / 3600), minutes = Math.floor(seconds / 60) % 60, two = (number) => String(number).padStart(2, "0");
    return hours ? `${hours}:${two(minutes)}:${two(seconds % 60)}` : `${minutes}:${two(seconds % 60)}`;
  }
  function showClock() {
    if (away && $("lasts")) write($("lasts"), clockText(Math.round(away.now + away.pace * (performance.now() - away.at) / 1000)));
    if (!clock || !$("left")) return;
    const now = clock.now + clock.pace * (performance.now() - clock.at) / 1000, left = Math.max(0, Math.round(clock.until - now));
    write($("left"), clockText(left));
    if (!left && clock.pace) write($("ends"), "The time is over, and it is not at rest yet: wait, or end it with a reason.");
    if (clock.length) $("gone").value = Math.min(1, Math.max(0, 1 - left / clock.length));
  }
  setInterval(showClock, 250);

  // --- the line to the server ------------------------------------------------------------------
  let stream = null;
  function setLine(up) {
    if (connected === up && document.body.dataset.line !== "waiting") return;
    const was = document.body.dataset.line;
    connected = up;
    document.body.dataset.line = up ? "up" : "lost";
    $("line-out").hidden = up;
    if (!up) { tone("stop"); say("No connection to the bench program. Trying again by itself.", true); live = null; showLive(); }
    else if (was === "lost") say("Connected again.", false);
    showPen();
  }
  function showPen() {
    document.body.dataset.mine = mine ? "yes" : "no";
    write($("pen-word"), !connected ? "Not connected" : mine ? "You can answer on this page" : "This page only watches: another one answers");
    $("take-pen").hidden = mine || !connected;
    markBusy(busy);
  }
  function listen() {
    stream = new EventSource(`/stream?pen=${encodeURIComponent(page)}`);
    const source = stream;
    stream.onopen = () => setLine(true);
    stream.onerror = () => {
      setLine(false);
      if (source.readyState === EventSource.CLOSED) { source.close(); setTimeout(() => { if (stream === source) listen(); }, RETRY_MS); }
    };
    stream.addEventListener("sheet", (event) => {
      const { html, seq } = JSON.parse(event.data);
      if (String(seq) !== main().dataset.seq) replace(html);
      else if (clock || away) {
        const made = new DOMParser().parseFromString(html, "text/html"), count = made.querySelector("#count");
        if (clock && count) setClock(Number(count.dataset.now));
        if (away) setAway(made.querySelector("#pause"));
      }
    });
    stream.addEventListener("live", (event) => onLive(JSON.parse(event.data)));
    stream.addEventListener("pen", (event) => { mine = JSON.parse(event.data).mine; showPen(); });
  }
  function switches() {
    write($("look-word"), LOOK_WORDS[look]);
    $("sound-key").setAttribute("aria-pressed", String(sound));
    write($("sound-key"), sound ? "Sound on" : "Sound off");
    $("pad-key").setAttribute("aria-pressed", String(root.dataset.pad === "on"));
  }
  document.addEventListener("DOMContentLoaded", () => {
    // A page that is loaded again is the same page; one that was copied into a new tab is not.
    const [how] = performance.getEntriesByType("navigation");
    let before = null;
    try { before = how && ["reload", "back_forward"].includes(how.type) ? sessionStorage.getItem("pen") : null; } catch { /* no storage */ }
    page = before || document.body.dataset.pen;
    try { sessionStorage.setItem("pen", page); } catch { /* no storage */ }
    switches();
    showPen();
    begin();
    settle();
    listen();
  });
})();
