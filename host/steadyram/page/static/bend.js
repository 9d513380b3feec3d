"use strict";
// Bend lists: choosing one, and what stands beside the questions while it is struck. Nothing is decided here.
const Bend = {
  lists: [],

  // ---------------------------------------------------------------- figures
  degrees(rad, signed = false) {
    const text = (Math.abs(rad) * 180 / Math.PI).toFixed(1);
    return `${signed ? (rad < 0 ? "−" : "+") : ""}${text}°`;
  },
  deep(metres) { return `${(1000 * metres).toFixed(3)} mm`; },
  offset(metres) { return `${metres < 0 ? "−" : "+"}${Math.abs(1000 * metres).toFixed(3)} mm`; },
  place(metres) { return metres === null ? "–" : `${Number((1000 * metres).toPrecision(4))} mm`; },
  rough(force_N) { return `${Number((force_N * now.hello.per_N).toPrecision(3))} ${now.hello.unit}`; },
  table(node, headings, rows) {
    const cell = (name) => (each) => make(name, { class: each.words ? "words" : null, scope: name === "th" ? "col" : null }, each.words ?? each);
    const caption = node.querySelector("caption");
    node.replaceChildren(caption,
      make("thead", {}, make("tr", {}, ...headings.map(cell("th")))),
      make("tbody", {}, ...rows.map((row) => make("tr", { "aria-current": row.now ? "step" : null }, ...row.cells.map(cell("td"))))));
  },

  // ---------------------------------------------------------------- choosing
  begin() {
    const form = $("bend");
    form.elements.file.addEventListener("change", () => this.plan());
    form.addEventListener("submit", (event) => { event.preventDefault(); this.start(false); });
    change($("bend-on"), () => this.start(true));
    $("bend-file").addEventListener("change", (event) => this.send(event.target));
  },
  setup(view) {
    const can = Boolean(view.bending?.can), form = $("bend");
    put($("bend-words"), !can ? "This press cannot stop at a depth: it needs a position sensor on the ram, calibrated (steadyram position calibrate)."
      : this.lists.length ? "Each stroke is shown and waits for your yes, then for the pedal. You measure the angle and type it; the next depth is corrected by it."
        : "There is no bend list in the page's folder. Send one from this tablet.");
    form.hidden = !can || !this.lists.length;
    $("bend-send").hidden = !can;
    if (!can) return;
    const text = JSON.stringify([this.lists, view.bending.slots, now.hello?.unit]);
    if (form.dataset.text === text) return;
    form.dataset.text = text;
    const file = form.elements.file.value, slot = form.elements.slot.value;
    form.elements.file.replaceChildren(...this.lists.map((each) => make("option", { value: each.file }, each.name ? `${each.name} (${each.file})` : each.file)));
    if (this.lists.some((each) => each.file === file)) form.elements.file.value = file;
    form.elements.slot.replaceChildren(...view.bending.slots.map((each) => make("option", { value: each }, String(each))));
    if (view.bending.slots.includes(Number(slot))) form.elements.slot.value = slot;
    this.plan();
  },
  chosen() { return this.lists.find((each) => each.file === $("bend").elements.file.value); },
  plan() {
    const list = this.chosen();
    if (!list || !now.hello) return;
    const warnings = list.bends.flatMap((each) => each.warnings.map((words) => `Bend ${each.number}: ${words}.`));
    $("bend-trouble").hidden = !list.trouble && !warnings.length;
    put($("bend-trouble"), list.trouble || warnings.join(" "));
    this.table($("bend-plan"), ["bend", "angle", "bend line", "length", "planned depth", "force"], list.bends.map((each) => ({
      cells: [each.name ? `${each.number} ${each.name}` : String(each.number), this.degrees(each.angle_rad), this.place(each.position_m),
        this.place(each.length_m), this.deep(each.stop_m), this.rough(each.force_N)],
    })));
    $("bend-plan").hidden = Boolean(list.trouble);
    document.querySelector("#bend button[type=submit]").hidden = Boolean(list.trouble);
    $("bend-on").hidden = !list.record;
    if (list.record) put($("bend-on"), `Go on with ${list.record.file} (${list.record.parts} parts)`);
  },
  start(go_on) {
    if (!open()) { toast("Changes are closed. Hold the enable button at the panel until it says that changes are open."); return; }
    const form = $("bend"), figure = (name) => {
      const text = form.elements[name].value.trim().replace(",", ".");
      return text ? Number(text) : null;
    };
    const content = { do: "bend", file: form.elements.file.value, go_on, slot: Number(form.elements.slot.value) };
    for (const [name, words] of [["parts", "parts"], ["tolerance_deg", "degrees"], ["touch_mm", "millimetres"]]) {
      const value = figure(name);
      if (Number.isNaN(value)) { toast(`“${form.elements[name].value}” is not a number of ${words}.`); form.elements[name].focus(); return; }
      if (value !== null) content[name] = value;
    }
    // A record keeps its own slot and tolerance.
    if (go_on) { delete content.tolerance_deg; delete content.slot; }
    order(content);
  },
  async send(input) {
    const file = input.files[0];
    if (!file) return;
    if (file.size > 60000) toast(`${file.name} is too large to be a bend list.`);
    else order({ do: "bend-upload", name: file.name, text: await file.text() });
    input.value = "";
  },

  // ---------------------------------------------------------------- while it is struck
  step(shown) {
    const step = shown?.step ?? null;
    $("bend-step").hidden = !step;
    $("bend-done").hidden = !shown?.strokes.length;
    if (!shown) { delete $("bend-step").dataset.text; return; }
    const text = JSON.stringify(shown);
    if ($("bend-step").dataset.text === text) return;
    $("bend-step").dataset.text = text;
    if (step) this.card(shown, step);
    this.table($("bend-done").querySelector("table"), ["part", "bend", "stroke", "depth", "force", "angle", "off by", { words: "" }],
      shown.strokes.slice().reverse().map((row) => ({
        now: step && row.part === step.part && row.bend === step.number,
        cells: [String(row.part), String(row.bend), String(row.strike), this.deep(row.depth_m), this.rough(row.force_N),
          row.measured_included_angle_rad === null ? "–" : this.degrees(row.measured_included_angle_rad),
          row.off_rad === null ? "–" : this.degrees(row.off_rad, true),
          { words: [row.within_tolerance ? "good" : row.within_tolerance === false ? "not good" : "", row.stopped_by === "force" ? "stopped by force" : "", row.note].filter(Boolean).join("; ") }],
      })));
  },
  card(shown, step) {
    const figure = (words, text) => make("div", { class: "figure" }, make("span", {}, words), make("b", {}, text));
    const learned = shown.correction, moved = step.stop_m - step.planned_m;
    const of = shown.parts ? ` of ${shown.parts}` : "";
    let words = "By the plan: nothing was measured yet.";
    if (learned?.bends) words = `Corrected by ${learned.bends} measured ${learned.bends === 1 ? "bend" : "bends"}: ${this.offset(moved)} against the plan's ${this.deep(step.planned_m)}. `
      + `Inside radius ${(1000 * learned.radius_m).toFixed(2)} mm, springback ${(100 * learned.springback_share).toFixed(1)} % of the bend beyond the textbook's.`;
    $("bend-step").replaceChildren(
      make("p", { class: "turn" }, step.turn),
      figure(`${shown.list}: part ${step.part}${of}, bend ${step.number} of ${shown.bends.length}${step.strike > 1 ? `, stroke ${step.strike}` : ""}`, this.degrees(step.angle_rad)),
      figure("stop at, past the touch", this.deep(step.stop_m)),
      figure("about", this.rough(step.expected_N)),
      make("p", { class: "quiet learned" }, words));
  },
};
