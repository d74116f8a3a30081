// Brickbook's own script. Every page works without it but for dropping files and the live bench.
"use strict";
(() => {
  const each = (selector, act) => document.querySelectorAll(selector).forEach(act);
  const make = (name, words, kind) => {
    const made = document.createElement(name);
    if (words !== undefined) made.textContent = words;
    if (kind) made.className = kind;
    return made;
  };
  const later = (act, wait) => {
    let timer = 0;
    return (...given) => { clearTimeout(timer); timer = setTimeout(() => act(...given), wait); };
  };
  const encoded = (form, button) => {
    const data = new URLSearchParams(new FormData(form));
    if (button) data.append(button.name, button.value);
    return data;
  };
  // One part of a page exchanged for the same part of another answer; where the reader is stays as it is.
  const exchange = (text, selector) => {
    const fresh = new DOMParser().parseFromString(text, "text/html").querySelector(selector);
    const old = document.querySelector(selector);
    if (fresh && old) old.replaceWith(document.adoptNode(fresh));
    return Boolean(fresh);
  };

  // A search that follows the typing.
  each("form[data-live]", (form) => {
    let asked = 0;
    const look = later(async () => {
      const mine = ++asked;
      const address = form.getAttribute("action") + "?" + encoded(form);
      const answer = await fetch(address);
      const text = await answer.text();
      if (mine === asked && answer.ok && exchange(text, form.dataset.live)) history.replaceState(null, "", address);
    }, 200);
    form.addEventListener("input", look);
  });

  // A form that is checked as it is filled in.
  each("form[data-check]", (form) => {
    const tally = form.querySelector("[data-tally]");
    let asked = 0;
    const check = later(async () => {
      const mine = ++asked;
      const answer = await fetch(form.dataset.check, { method: "POST", body: encoded(form) });
      if (!answer.ok || mine !== asked) return;
      const { faults } = await answer.json();
      const said = new Map();
      for (const { key, words } of faults) said.set(key, (said.has(key) ? said.get(key) + " " : "") + words);
      let shown = 0;
      form.querySelectorAll("[data-said]").forEach((place) => {
        const key = place.dataset.said;
        let words = said.get(key) || "";
        if (!words) for (const [other, more] of said) if (place.tagName === "P" && form.elements[key] && other.startsWith(key + "[")) words = more;
        place.textContent = words;
        if (words) shown += 1;
        const field = form.elements[key];
        if (field && field.setAttribute) words ? field.setAttribute("aria-invalid", "true") : field.removeAttribute("aria-invalid");
      });
      tally.textContent = faults.length ? faults.length + " to be filled in or put right" : "Nothing is wrong; not saved yet.";
    }, 250);
    form.addEventListener("input", check);
  });

  // A form whose upper part follows what is chosen below.
  each("form[data-again]", (form) => {
    const again = later(async () => {
      const data = encoded(form);
      data.set("do", "look");
      const answer = await fetch(form.getAttribute("action"), { method: "POST", body: data });
      if (answer.ok) exchange(await answer.text(), form.dataset.again);
    }, 150);
    form.addEventListener("change", again);
  });

  // Files dropped or picked: each is sent as it is, with its name in the address.
  each("[data-upload]", (place) => {
    const list = place.querySelector("[data-progress]");
    const pick = place.querySelector("input[type=file]");
    const send = (file) => new Promise((done) => {
      const line = list.appendChild(make("li", file.name + ": sending"));
      const most = Number(place.dataset.most);
      if (file.size > most) {
        line.textContent = file.name + ": is larger than " + Math.round(most / 1e6) + " MB, the most this app takes.";
        line.className = "wrong";
        done(null);
        return;
      }
      const request = new XMLHttpRequest();
      request.open("PUT", place.dataset.upload + "?name=" + encodeURIComponent(file.name));
      request.responseType = "json";
      request.upload.addEventListener("progress", (e) => {
        if (e.lengthComputable) line.textContent = file.name + ": " + Math.floor((100 * e.loaded) / e.total) + " %";
      });
      const failed = (words) => { line.textContent = words; line.className = "wrong"; done(null); };
      request.addEventListener("load", () => {
        const answer = request.response || {};
        if (request.status === 201) { line.textContent = file.name + ": waits"; done(answer.href); }
        else failed((answer.faults || [file.name + ": was not taken."]).join(" "));
      });
      request.addEventListener("error", () => failed(file.name + ": the connection was cut; it may be larger than the app takes."));
      request.send(file);
    });
    const take = async (files) => {
      const found = [];
      for (const file of files) { const address = await send(file); if (address) found.push(address); }
      if (found.length === 1 && files.length === 1) location.assign(found[0]);
      else if (found.length === files.length) location.reload();
    };
    pick.addEventListener("change", () => take([...pick.files]));
    for (const name of ["dragover", "dragenter"]) place.addEventListener(name, (e) => { e.preventDefault(); place.classList.add("over"); });
    place.addEventListener("dragleave", () => place.classList.remove("over"));
    place.addEventListener("drop", (e) => { e.preventDefault(); place.classList.remove("over"); take([...e.dataTransfer.files]); });
  });

  // Work that takes long: look until it has ended, then show the page anew.
  each('.job[data-state="working"]', (job) => {
    const look = async () => {
      const answer = await fetch("/jobs/" + job.dataset.job).catch(() => null);
      if (!answer || !answer.ok) return setTimeout(look, 1000);
      const { state, line } = await answer.json();
      if (state !== "working") return location.reload();
      job.querySelector("[data-line]").textContent = line;
      setTimeout(look, 400);
    };
    setTimeout(look, 300);
  });

  // The bench, live. What is kept is bounded: a trace that is full loses every second point.
  each("[data-run]", (bench) => {
    const most = 1200;
    const find = (name) => bench.querySelector("[data-" + name + "]");
    const words = { port_voltage_v: ["output voltage", "V"], port_current_a: ["output current", "A"], mains_power_w: ["mains power", "W"], mains_voltage_v: ["mains voltage", "V"], mains_current_a: ["mains current", "A"], mains_pf: ["power factor", ""], mains_frequency_hz: ["mains frequency", "Hz"], temperature_c: ["temperature", "°C"], ambient_c: ["ambient", "°C"], mains_current_thd_ratio: ["input current distortion", ""] };
    const label = (column) => {
      const [quantity, channel] = column.split("@");
      const [name, unit] = words[quantity] || [quantity.replaceAll("_", " "), ""];
      return [channel ? name + ", " + channel : name, unit];
    };
    const digits = (value) => (value === null || value === undefined ? "—" : Number(value.toPrecision(5)).toString());
    const traces = new Map();
    const titles = new Map();
    document.querySelectorAll("[data-task]").forEach((row) => titles.set(row.dataset.task, row));
    window.benchTraces = traces; // for a look from the console, and for tests
    const add = (column, t, value) => {
      if (!traces.has(column)) traces.set(column, { t: [], v: [], stride: 1, count: 0 });
      const trace = traces.get(column);
      if (trace.count++ % trace.stride === 0) { trace.t.push(t); trace.v.push(value); }
      if (trace.t.length > most) {
        trace.t = trace.t.filter((_, k) => k % 2 === 0);
        trace.v = trace.v.filter((_, k) => k % 2 === 0);
        trace.stride *= 2;
      }
    };
    const cells = new Map();
    const cell = (column) => {
      if (!cells.has(column)) {
        const [name, unit] = label(column);
        const box = find("readings").appendChild(make("div"));
        const value = box.appendChild(make("p", "—", "value"));
        box.appendChild(make("p", unit ? name + " [" + unit + "]" : name, "name"));
        cells.set(column, value);
      }
      return cells.get(column);
    };
    const plots = new Map();
    const space = "http://www.w3.org/2000/svg";
    const plot = (column) => {
      if (!plots.has(column)) {
        const figure = find("traces").appendChild(make("figure"));
        const [name, unit] = label(column);
        figure.appendChild(make("figcaption", unit ? name + " [" + unit + "]" : name));
        const svg = figure.appendChild(document.createElementNS(space, "svg"));
        svg.setAttribute("viewBox", "0 0 600 150");
        svg.setAttribute("preserveAspectRatio", "none");
        svg.setAttribute("role", "img");
        const line = svg.appendChild(document.createElementNS(space, "polyline"));
        const ends = figure.appendChild(make("p", "", "ends"));
        plots.set(column, [svg, line, ends.appendChild(make("span")), ends.appendChild(make("span")), name, unit, figure]);
      }
      return plots.get(column);
    };
    const draw = () => {
      for (const [column, trace] of traces) {
        const points = trace.t.map((t, k) => [t, trace.v[k]]).filter(([, v]) => v !== null);
        const [svg, line, left, right, name, unit] = plot(column);
        if (points.length < 2) { line.setAttribute("points", ""); continue; }
        const values = points.map(([, v]) => v);
        let low = Math.min(...values), high = Math.max(...values);
        const room = Math.max((high - low) * 0.08, Math.abs(high) * 0.002, 1e-6);
        low -= room; high += room;
        const t0 = points[0][0], span = Math.max(points[points.length - 1][0] - t0, 1e-9);
        line.setAttribute("points", points.map(([t, v]) => ((600 * (t - t0)) / span).toFixed(1) + "," + (150 - (150 * (v - low)) / (high - low)).toFixed(1)).join(" "));
        left.textContent = "last " + Math.round(span) + " s";
        right.textContent = "from " + digits(low + room) + " to " + digits(high - room) + (unit ? " " + unit : "");
        svg.setAttribute("aria-label", name + " over the last " + Math.round(span) + " seconds, " + right.textContent);
      }
      for (const [column, parts] of plots) if (!traces.has(column)) { parts[6].remove(); plots.delete(column); }
      for (const [column, value] of cells) if (!traces.has(column)) { value.parentElement.remove(); cells.delete(column); }
    };
    let waiting = false;
    const drawSoon = () => {
      if (waiting) return;
      waiting = true;
      setTimeout(() => { waiting = false; draw(); }, 250);
    };
    const put = (place, text) => { if (place && place.textContent !== text) place.textContent = text; };
    const told = { running: "", asking: "", paused: "Paused", ended: "The run has ended", "broken off": "The run’s process is gone: look at the bench", new: "Starting…" };
    const show = (news) => {
      told.paused = news.safe ? "Paused: loads and source are off" : "Paused";
      if (news.whole) {
        traces.clear();
        for (const [column, { t, v }] of Object.entries(news.traces)) t.forEach((at, k) => add(column, at, v[k]));
      } else {
        for (const [t, values] of news.news) for (const [column, value] of Object.entries(values)) add(column, t, value);
      }
      for (const [column, value] of Object.entries(news.readings)) if (traces.has(column)) put(cell(column), digits(value));
      const row = titles.get(news.task);
      const title = row ? row.dataset.title : news.task;
      const asked = news.asked;
      put(find("what"), asked ? asked.text : news.state === "running" ? (news.label || title || "Running") : told[news.state] || news.state);
      put(find("detail"), [title, news.step >= 0 && news.steps ? "step " + (news.step + 1) + " of " + news.steps : "", !asked && news.step >= 0 ? Math.floor(news.in_step_s) + " s in this step" : ""].filter(Boolean).join(", "));
      const form = find("asked");
      if (form) {
        form.hidden = !asked;
        if (asked) {
          const fresh = form.elements.key.value !== asked.key;
          form.elements.key.value = asked.key;
          find("caution").hidden = asked.what !== "caution";
          find("reading").hidden = asked.what !== "reading";
          put(find("unit"), asked.unit ? "[" + asked.unit + "]" : "");
          put(find("problem"), asked.problem);
          const button = find("answer");
          button.value = asked.what === "reading" ? "answer" : "confirm";
          put(button, asked.what === "reading" ? "Enter" : asked.what === "caution" ? "I have read it: go on" : "Done, go on");
          if (fresh) { form.elements.value.value = ""; form.elements.sure.checked = false; }
        }
        find("pause").hidden = news.state === "paused";
        find("resume").hidden = news.state !== "paused";
      }
      titles.forEach((line, id) => {
        const state = id === news.task ? "now" : news.done.includes(id) ? "done" : news.skipped.includes(id) ? "skipped" : "";
        if (state && line.className !== state) { line.className = state; put(line.querySelector("[data-state]"), state === "skipped" ? "left out" : state); }
      });
      drawSoon();
      if (news.state === "ended" || news.state === "broken off") { source && source.close(); setTimeout(() => location.reload(), 1200); }
    };
    each("form[data-asked], form.controls", (form) => form.addEventListener("submit", async (e) => {
      e.preventDefault();
      const button = e.submitter;
      const answer = await fetch(form.action, { method: "POST", body: encoded(form, button), headers: { accept: "application/json" } });
      put(find("link"), answer.ok || answer.redirected ? (button ? button.textContent.trim() + ": the bench was told." : "") : "That did not reach the bench; look at it.");
    }));
    let source = null;
    if (!bench.dataset.known) { setTimeout(() => location.reload(), 1000); return; }
    if (bench.dataset.picture) show(JSON.parse(bench.dataset.picture));
    source = new EventSource(bench.dataset.run);
    source.addEventListener("message", (e) => { put(find("link"), ""); show(JSON.parse(e.data)); });
    source.addEventListener("error", () => put(find("link"), "The app does not answer; the run goes on without it."));
  });
})();
