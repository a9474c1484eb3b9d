"use strict";
(() => {
  const byId = (id) => document.getElementById(id);
  const chooser = byId("state"), walkBox = byId("walk"), slider = byId("size");
  const table = byId("faults"), body = table.tBodies[0], heads = Array.from(body.querySelectorAll("tr.group")),
    rows = Array.from(body.rows).filter((row) => !heads.includes(row));
  const sheet = byId("sheet"), readings = byId("readings"), said = byId("said");
  sheet.classList.add("fit");
  let data = null, changed = [];

  async function unpack(text) {
    const bytes = Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));
    const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
    return JSON.parse(await new Response(stream).text());
  }

  function put(place, classes, markup) {
    const element = byId(data.ids[place]);
    if (!element) return;
    if (classes < 0) {
      element.querySelector("title").textContent = data.pieces[markup];
      return;
    }
    element.setAttribute("class", data.pieces[classes]);
    element.innerHTML = data.pieces[markup];
  }

  function draw(difference) {
    for (const place of changed) put(place, data.base[2 * place], data.base[2 * place + 1]);
    changed = [];
    for (let at = 0; at < difference.length; at += 3) {
      put(difference[at], difference[at + 1], difference[at + 2]);
      changed.push(difference[at]);
    }
  }

  function make(tag, text, parent) {
    const element = document.createElement(tag);
    if (text) element.textContent = text;
    if (parent) parent.append(element);
    return element;
  }

  function tabulate(parent, name, heads, lines) {
    if (!lines.length) return;
    const frame = make("div", "", parent);
    frame.className = "scroll";
    frame.tabIndex = 0;
    frame.setAttribute("role", "region");
    frame.setAttribute("aria-label", name + ", can be scrolled");
    const made = make("table", "", frame);
    make("caption", name, made);
    const head = make("tr", "", make("thead", "", made));
    for (const each of heads) make("th", each, head).scope = "col";
    const inner = make("tbody", "", made);
    for (const line of lines) {
      const row = make("tr", "", inner);
      line.forEach((cell, place) => {
        const made = make(place ? "td" : "th", cell, row);
        if (!place) made.scope = "row";
      });
    }
  }

  function read(heading, lead, state) {
    const inner = byId("readings-body");
    inner.replaceChildren();
    byId("h-readings").textContent = heading;
    for (const [name, text] of lead) {
      if (!text) continue;
      const line = make("p", "", inner);
      make("strong", name + ": ", line);
      line.append(text);
    }
    tabulate(inner, "Hardest loads", ["Part", "When", "Value", "Limit", "With the fault", "Healthy"],
      state.loads);
    tabulate(inner, "Tubes at idle (to ground)", ["Tube", "Plate V", "Grid V", "Cathode V",
      "Plate mA", "Plate W", "Screen W"], state.tubes);
    tabulate(inner, "Nets that moved most, as the meter shows them",
      ["Net", "Healthy", "With the fault", "Moved by"], state.nets);
    if (state.says.length) {
      const list = make("ul", "", inner);
      for (const each of state.says) make("li", each, list);
    }
    readings.hidden = false;
  }

  function mark(number) {
    for (const row of rows) {
      const chosen = Number(row.dataset.place) === number;
      row.classList.toggle("chosen", chosen);
      row.querySelector(".pick").setAttribute("aria-pressed", String(chosen));
    }
    chooser.value = String(number);
  }

  function leaveWalk() {
    if (!walkBox) return;
    walkBox.value = "-1";
    slider.value = "0";
    slider.disabled = true;
    slider.removeAttribute("aria-valuetext");
    byId("size-words").textContent = "choose a growing fault";
  }

  function showHealthy() {
    draw([]);
    mark(-1);
    readings.hidden = true;
    said.textContent = "The healthy circuit is shown.";
  }

  function showFault(number) {
    leaveWalk();
    if (number < 0) return showHealthy();
    const fault = data.faults[number];
    draw(fault.d);
    mark(number);
    read("Readings with " + fault.id, [["Fault", fault.what], ["Verdict", fault.verdict],
      ["Likelihood", fault.likely], ["Measure next", fault.next]], fault);
    said.textContent = "Shown: " + fault.id + ", " + fault.verdict + ".";
    if (walkBox && fault.walk >= 0) {
      walkBox.value = String(fault.walk);
      openWalk(fault.walk);
    }
  }

  function openWalk(number) {
    slider.disabled = number < 0;
    if (number < 0) return leaveWalk();
    slider.max = String(data.walks[number].steps.length);
    slider.value = "0";
    const words = "move to grow it";
    slider.setAttribute("aria-valuetext", words);
    byId("size-words").textContent = words;
  }

  function slide() {
    const walk = data.walks[Number(walkBox.value)], at = Number(slider.value);
    if (!walk) return;
    if (at === 0) {
      showHealthy();
      byId("size-words").textContent = "healthy";
      slider.setAttribute("aria-valuetext", "healthy");
      return;
    }
    const step = walk.steps[at - 1], load = step.loads[0];
    const words = step.size + (step.tips ? ", tipping point" : "") +
      (load ? ": " + load[0] + " at " + load[4] + " its limit" : "");
    draw(step.d);
    mark(-1);
    chooser.value = "walk";
    read("Readings with " + walk.what + " " + step.size,
      [["Size", step.size + (step.tips ? ", enough to put a part over its limit" : "")]], step);
    byId("size-words").textContent = words;
    slider.setAttribute("aria-valuetext", words);
  }

  function sort(heading) {
    const key = heading.dataset.key, numeric = ["place", "grave", "ratio", "weight"].includes(key);
    const before = heading.getAttribute("aria-sort");
    const first = key === "ratio" || key === "weight" ? "descending" : "ascending";
    const way = before ? (before === "ascending" ? "descending" : "ascending") : first;
    for (const each of table.tHead.rows[0].cells) each.removeAttribute("aria-sort");
    heading.setAttribute("aria-sort", way);
    const sign = way === "ascending" ? 1 : -1;
    rows.sort((one, two) => {
      const a = one.dataset[key], b = two.dataset[key];
      const order = numeric ? a - b : a.localeCompare(b, "en", {numeric: true});
      return sign * order || one.dataset.place - two.dataset.place;
    });
    lay();
  }

  // The headings of the groups stand only where the rows are in the order of the ranking.
  function lay() {
    const ranked = table.tHead.rows[0].cells[0].getAttribute("aria-sort") === "ascending";
    const laid = [];
    let last = "";
    for (const row of rows) {
      if (ranked && !row.hidden && row.dataset.group !== last) {
        last = row.dataset.group;
        laid.push(...heads.filter((head) => head.dataset.group === last));
      }
      laid.push(row);
    }
    body.replaceChildren(...laid);
  }

  function filter() {
    const words = byId("find").value.toLowerCase().split(/\s+/).filter(Boolean);
    const verdict = byId("by-verdict").value, likely = byId("by-likely").value;
    let count = 0;
    for (const row of rows) {
      const text = row.textContent.toLowerCase();
      const shown = (!verdict || row.dataset.verdict === verdict) &&
        (!likely || row.dataset.likely === likely) && words.every((word) => text.includes(word));
      row.hidden = !shown;
      count += shown ? 1 : 0;
    }
    lay();
    byId("count").textContent = count + " of " + rows.length + " shown";
  }

  for (const heading of table.tHead.rows[0].cells)
    heading.firstElementChild.addEventListener("click", () => sort(heading));
  for (const id of ["find", "by-verdict", "by-likely"]) byId(id).addEventListener("input", filter);
  byId("fit").addEventListener("input", (event) => sheet.classList.toggle("fit", event.target.checked));

  unpack(byId("packed").textContent).then((value) => {
    data = value;
    body.addEventListener("click", (event) => {
      const button = event.target.closest(".pick");
      if (!button) return;
      showFault(Number(button.closest("tr").dataset.place));
      byId("h-readings").scrollIntoView({block: "nearest"});
      byId("schematic").scrollIntoView();
      byId("h-schematic").focus({preventScroll: true});
    });
    chooser.addEventListener("input", () => showFault(Number(chooser.value)));
    byId("healthy").addEventListener("click", () => showFault(-1));
    if (walkBox) {
      walkBox.addEventListener("input", () => { showHealthy(); openWalk(Number(walkBox.value)); });
      slider.addEventListener("input", slide);
    }
    document.documentElement.dataset.ready = "yes";
  }).catch(() => {
    const note = make("p", "This browser cannot unpack the states of the drawing; the healthy " +
      "circuit and all tables are shown all the same.", byId("chooser"));
    note.className = "hint";
  });
})();
