"use strict";
(() => {
  const session = JSON.parse(document.getElementById("session").textContent);
  const steps = session.steps;
  const byId = (id) => document.getElementById(id);
  const TICK_MS = 100;
  const ASLEEP_MS = 1500; // a page that was not run for so long did not show what was due meanwhile
  const state = {
    startedAt: 0, // ms of this device's clock at the press of Start
    shift: 0, // s that pauses have put all later steps off
    index: -1,
    phase: "",
    shifts: [], // of each step that has begun
    ticks: [], // done, skipped or wrong
    asleep: [], // whether a step was due while the page was not running
    tickFor: -1, // the step that the three buttons are about
    lastAt: 0,
    pauseWanted: false,
    pausedAt: 0,
    isRunning: false,
    ranFor: 0, // s from the press of Start to the end
    isSaved: false,
    timer: 0,
  };

  // ---- sound: allowed by the press of Start, silent where the browser has none
  let audio = null;
  function allowSound() {
    const Context = window.AudioContext || window.webkitAudioContext;
    if (!byId("sound").checked || !Context) return;
    audio = new Context();
    if (audio.state === "suspended") audio.resume();
  }
  function beep(hertz, seconds) {
    if (!audio || audio.state !== "running") return;
    const tone = audio.createOscillator();
    const gain = audio.createGain();
    const end = audio.currentTime + seconds;
    tone.frequency.value = hertz;
    gain.gain.setValueAtTime(0.25, audio.currentTime);
    gain.gain.exponentialRampToValueAtTime(0.001, end);
    tone.connect(gain).connect(audio.destination);
    tone.start();
    tone.stop(end);
  }
  const SOUNDS = { ready: [520, 0.08], on: [990, 0.35], off: [330, 0.3], rest: [330, 0.1], wait: [330, 0.1] };

  // ---- the screen stays lit where the browser lets it
  let light = null;
  async function keepLit() {
    if (!("wakeLock" in navigator)) return;
    try {
      light = await navigator.wakeLock.request("screen");
    } catch (refused) {
      light = null; // a battery saver may refuse; the sheet asks to keep the page in front
    }
  }

  // ---- phases of a step: name, when it ends, and its words
  function phasesOf(step) {
    const ready = { name: "ready", until: step.act, what: step.control, live: `Get ready: ${step.say}` };
    const hold = step.kind === "hold";
    switch (step.kind) {
      case "operate":
        return [
          { ...ready, word: "READY" },
          { name: "on", until: step.until, word: "ON", what: `${step.control} ON`, live: `${step.control} on` },
          { name: "off", until: step.end, word: "OFF", what: "let go", live: "Let go" },
        ];
      case "hold":
      case "release":
        return [
          { ...ready, what: step.say, word: "READY" },
          {
            name: hold ? "on" : "off", until: step.end, word: hold ? "ON" : "OFF",
            what: step.say, live: step.say,
          },
        ];
      case "rest":
        return [{ name: "rest", until: step.end, word: "REST", what: "hands off", live: "Rest: touch nothing" }];
      default:
        return [{ name: "wait", until: step.end, word: "WAIT", what: step.say, live: step.say }];
    }
  }
  const phases = steps.map(phasesOf);

  // ---- running
  function start() {
    allowSound();
    keepLit();
    state.startedAt = Date.now();
    state.lastAt = state.startedAt;
    state.isRunning = true;
    byId("before").hidden = true;
    byId("run").hidden = false;
    byId("run").focus();
    window.scrollTo(0, 0);
    state.timer = setInterval(run, TICK_MS);
    run();
  }

  function run() {
    if (!state.isRunning || state.pausedAt) return;
    const now = Date.now();
    const slept = now - state.lastAt > ASLEEP_MS ? state.lastAt : 0;
    state.lastAt = now;
    const elapsed = (now - state.startedAt) / 1000;
    while (state.index < steps.length) {
      const ends = state.index < 0 ? 0 : steps[state.index].end + state.shift;
      if (elapsed < ends) break;
      if (state.index + 1 === steps.length) {
        finish();
        return;
      }
      if (state.index >= 0 && state.pauseWanted) {
        pause(now, elapsed - ends);
        return;
      }
      begin(state.index + 1);
    }
    if (slept) noteAsleep((slept - state.startedAt) / 1000, elapsed);
    show(elapsed - state.shift);
  }

  function begin(index) {
    const step = steps[index];
    state.index = index;
    state.phase = "";
    state.shifts[index] = state.shift;
    if (step.label) {
      state.ticks[index] = "done";
      state.tickFor = index;
      showTick();
    }
    byId("part").textContent = step.part;
    byId("progress").textContent = `${step.number} of ${steps.length}`;
    byId("next").textContent = steps[index + 1] ? `Next: ${steps[index + 1].say}` : "This is the last one";
    byId("held").textContent = step.held.length ? `Keep holding ${step.held.join(", ")}` : "";
  }

  function noteAsleep(from, to) {
    for (let index = 0; index <= state.index; index += 1) {
      const step = steps[index];
      const begins = step.act + state.shifts[index];
      const ends = (step.label === "rest" ? step.end : step.until) + state.shifts[index];
      if (step.label && begins < to && ends > from && step.label !== "rest") {
        state.ticks[index] = "wrong";
        state.asleep[index] = true;
      }
    }
    showTick();
  }

  function show(time) {
    const own = phases[state.index];
    const step = steps[state.index];
    const at = Math.max(0, own.findIndex((phase) => time < phase.until));
    const phase = own[at];
    const from = at ? own[at - 1].until : step.start;
    const key = `${state.index}/${at}`;
    if (key !== state.phase) {
      state.phase = key;
      byId("stage").dataset.phase = phase.name;
      byId("phase").textContent = phase.word;
      byId("what").textContent = phase.what;
      byId("live").textContent = phase.live;
      beep(...SOUNDS[phase.name]);
      if (phase.name === "on" && navigator.vibrate) navigator.vibrate(120);
    }
    const left = Math.max(0, phase.until - time);
    byId("count").textContent = String(Math.ceil(left - 0.001));
    const share = phase.until > from ? (100 * left) / (phase.until - from) : 0;
    byId("left").setAttribute("stroke-dashoffset", String(100 - share));
  }

  // ---- ticks
  function showTick() {
    const step = steps[state.tickFor];
    if (!step) return;
    byId("tick-for").textContent = `How did ${step.number}, ${step.label}, go?`;
    for (const button of document.querySelectorAll("[data-tick]")) {
      if (button.tagName === "BUTTON") {
        button.setAttribute("aria-pressed", String(button.dataset.tick === state.ticks[state.tickFor]));
      }
    }
  }
  function tick(word) {
    if (state.tickFor < 0) return;
    state.ticks[state.tickFor] = word;
    state.asleep[state.tickFor] = false;
    showTick();
    byId("live").textContent = `${steps[state.tickFor].label} ${word}`;
  }

  // ---- pauses: time goes on for the recorder, all later steps are put off
  function wantPause() {
    if (state.pausedAt) {
      const now = Date.now();
      state.shift += (now - state.pausedAt) / 1000;
      state.pausedAt = 0;
      state.lastAt = now;
      state.pauseWanted = false;
      state.phase = "";
    } else {
      state.pauseWanted = !state.pauseWanted;
    }
    const button = byId("pause");
    button.setAttribute("aria-pressed", String(state.pauseWanted));
    button.textContent = "Pause after this one";
    run();
  }
  function pause(now, overdue) {
    state.pausedAt = now - overdue * 1000;
    byId("stage").dataset.phase = "wait";
    byId("phase").textContent = "PAUSE";
    byId("count").textContent = "";
    byId("what").textContent = "leave the recorder running";
    byId("pause").textContent = "Go on";
    byId("live").textContent = "Paused. Leave the recorder running.";
    byId("pause").focus();
  }

  // ---- the end
  let asked = 0;
  function stop() {
    if (asked) {
      finish();
      return;
    }
    byId("stop").textContent = "Press again to stop";
    asked = setTimeout(() => {
      asked = 0;
      byId("stop").textContent = "Stop here";
    }, 4000);
  }
  function finish() {
    state.isRunning = false;
    state.ranFor = ((state.pausedAt || Date.now()) - state.startedAt) / 1000;
    clearInterval(state.timer);
    if (light) light.release();
    byId("run").hidden = true;
    byId("after").hidden = false;
    list();
    account();
    byId("after").focus();
    window.scrollTo(0, 0);
    byId("live").textContent = "Finished. Save the marks.";
  }

  function reached() {
    return steps.map((step, index) => index).filter((index) => steps[index].label && isOver(index));
  }
  function isOver(index) {
    // what was still going on when it was stopped is not noted
    const end = state.ticks[index] === undefined ? null : endOf(index);
    return end !== null && end <= state.ranFor + TICK_MS / 1000;
  }
  function endOf(index) {
    const step = steps[index];
    if (step.kind === "operate") return step.until + state.shifts[index];
    if (step.kind === "rest") return step.end + state.shifts[index];
    const release = steps.findIndex((each, at) => at > index && each.kind === "release" && each.control === step.control);
    return release < 0 || state.shifts[release] === undefined ? null : steps[release].act + state.shifts[release];
  }

  function list() {
    const rows = byId("rows");
    rows.replaceChildren();
    for (const index of reached()) {
      const step = steps[index];
      const row = document.createElement("tr");
      row.dataset.tick = state.ticks[index];
      for (const text of [String(step.number), clock(step.act + state.shifts[index]), step.label]) {
        row.insertCell().textContent = text;
      }
      const choice = document.createElement("select");
      choice.setAttribute("aria-label", `How ${step.number}, ${step.label}, went`);
      for (const word of ["done", "skipped", "wrong"]) choice.add(new Option(word, word));
      choice.value = state.ticks[index];
      choice.addEventListener("change", () => {
        state.ticks[index] = choice.value;
        state.asleep[index] = false;
        row.dataset.tick = choice.value;
        account();
      });
      row.insertCell().append(choice);
      if (state.asleep[index]) row.cells[2].append(" (the page was not in front)");
      rows.append(row);
    }
  }
  function clock(time) {
    const whole = Math.floor(time + 0.5);
    return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}`;
  }
  function account() {
    const own = reached().map((index) => state.ticks[index]);
    const count = (word) => own.filter((each) => each === word).length;
    const all = steps.filter((step) => step.label).length;
    const missing = all - own.length ? `, ${all - own.length} not reached` : "";
    byId("sum").textContent = `${count("done")} done, ${count("skipped")} skipped, ${count("wrong")} wrong${missing}.`;
    byId("csv").value = csv();
    state.isSaved = false;
    byId("saved").textContent = "";
  }

  // ---- the marks: time_s,label,until_s; a line that begins with # is a remark
  function csv() {
    const lines = [
      `# ${session.title.replace(/\s+/g, " ")}; seed ${session.seed}`,
      "# Seconds from the press of Start; Start was pressed at " +
        `${(state.startedAt / 1000).toFixed(1)} s of this device's clock (seconds since 1970).`,
      "time_s,label,until_s",
    ];
    const rows = [];
    for (const index of reached()) {
      const step = steps[index];
      const shift = state.shifts[index];
      const from = step.kind === "rest" ? step.start + shift : step.act + shift;
      const to = endOf(index);
      const word = state.ticks[index];
      if (word === "done") {
        rows.push([from, `${from.toFixed(1)},${step.label},${to.toFixed(1)}`]);
      } else if (word === "skipped" && step.drawn && step.kind === "operate") {
        const begin = step.start + shift;
        rows.push([begin, `${begin.toFixed(1)},rest,${(step.end + shift).toFixed(1)}`]);
        rows.push([begin, `# ${step.number} ${step.label}: skipped, nothing was touched`]);
      } else {
        const why = state.asleep[index] ? "the page was not in front" : word;
        rows.push([from, `# ${step.number} ${step.label} at ${from.toFixed(1)}: ${why}, left out`]);
      }
    }
    rows.sort((one, other) => one[0] - other[0]);
    return [...lines, ...rows.map((row) => row[1]), ""].join("\n");
  }
  function save() {
    const link = document.createElement("a");
    const url = URL.createObjectURL(new Blob([csv()], { type: "text/csv" }));
    link.href = url;
    link.download = "marks.csv";
    document.body.append(link);
    link.click();
    link.remove();
    setTimeout(() => URL.revokeObjectURL(url), 10000);
    state.isSaved = true;
    byId("saved").textContent = "Saved as marks.csv in the folder for downloads. If it is not there, open the text below.";
  }

  // ---- hands and keys
  byId("start").addEventListener("click", start);
  byId("pause").addEventListener("click", wantPause);
  byId("stop").addEventListener("click", stop);
  byId("save").addEventListener("click", save);
  for (const button of document.querySelectorAll("button[data-tick]")) {
    button.addEventListener("click", () => tick(button.dataset.tick));
  }
  document.addEventListener("keydown", (event) => {
    if (!state.isRunning || event.ctrlKey || event.metaKey || event.altKey || event.repeat) return;
    const keys = { d: "done", s: "skipped", w: "wrong" };
    const key = event.key.toLowerCase();
    if (keys[key]) tick(keys[key]);
    else if (key === "p") wantPause();
  });
  document.addEventListener("visibilitychange", () => {
    if (!document.hidden && state.isRunning) {
      keepLit();
      run();
    }
  });
  window.addEventListener("beforeunload", (event) => {
    if (state.startedAt && !state.isSaved) event.preventDefault();
  });
})();
