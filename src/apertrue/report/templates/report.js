"use strict";
(() => {
  const source = document.getElementById("data");
  if (!source) return;
  const data = JSON.parse(source.textContent);
  const PER_PAGE = 50, FIRST_NUMBER = 5;
  const ORDER = { auto: 0, nudge: 1, retake: 2, leave: 3, error: 4, aside: 5 };
  const SVG = "http://www.w3.org/2000/svg";
  const $ = (id) => document.getElementById(id);
  const body = document.querySelector("#table tbody");
  const heads = [...document.querySelectorAll("#table thead th")];
  const state = { column: -1, down: false, page: 0 };
  let shown = data.rows.map((_, i) => i);

  // Everything is put in as text or as attributes of elements made here: names can't become markup.
  const make = (tag, text, cls) => {
    const e = document.createElement(tag);
    if (text !== undefined) e.textContent = text;
    if (cls) e.className = cls;
    return e;
  };
  const shape = (tag, attributes) => {
    const e = document.createElementNS(SVG, tag);
    for (const [k, v] of Object.entries(attributes)) e.setAttribute(k, v);
    return e;
  };
  // Line breaks and marks that turn the reading direction are shown, not obeyed.
  const plain = (s) => s.replace(/[\u0000-\u001f\u007f-\u009f\u200e\u200f\u2028-\u202e\u2066-\u2069]/g,
    (c) => "\\u" + c.charCodeAt(0).toString(16).padStart(4, "0"));

  const sketch = (row) => {
    const [w, h] = row.o.size;
    const svg = shape("svg", { class: "sketch", viewBox: `0 0 ${w} ${h}`, role: "img",
      "aria-label": `${plain(row.t[0])}: ${data.scenes[row.t[4]] || row.t[4]}` });
    if (row.i) svg.append(shape("image", { href: "data:image/jpeg;base64," + row.i, width: w, height: h, preserveAspectRatio: "none" }));
    else svg.append(shape("rect", { class: "blank", width: w, height: h }));
    for (const e of row.o.edges) {
      const a = { cx: e.x + .5, cy: e.y + .5, rx: e.major, ry: e.minor, transform: `rotate(${-e.axis_deg} ${e.x + .5} ${e.y + .5})` };
      const named = `edge ${e.role}${e.remembered ? " remembered" : ""}`;
      if (e.d) svg.append(shape("ellipse", { ...a, class: named + " beyond" }), shape("path", { d: e.d, class: "case" }), shape("path", { d: e.d, class: named }));
      else svg.append(shape("ellipse", { ...a, class: "case" }), shape("ellipse", { ...a, class: named }));
    }
    if (row.a) svg.append(shape("path", { class: "case strong", d: row.a }), shape("path", { class: "move", d: row.a }));
    return svg;
  };

  const list = (ids, words, heading) => {
    const box = make("div");
    box.append(make("h3", heading));
    const ul = make("ul");
    for (const id of ids) {
      const [sentence, remedy] = words[id] || [id, ""];
      const li = make("li", sentence + " ");
      if (remedy) li.append(make("span", remedy, "soft"));
      ul.append(li);
    }
    box.append(ul);
    return box;
  };

  const details = (row) => {
    const cell = make("td");
    cell.colSpan = heads.length;
    const box = make("div", undefined, "opened");
    if (row.o) { const f = make("figure"); f.append(sketch(row)); box.append(f); }
    const words = make("div");
    if (row.e) words.append(make("p", plain(row.e), "headline"));
    else if (data.scenes[row.t[4]]) words.append(make("p", data.scenes[row.t[4]][0].toUpperCase() + data.scenes[row.t[4]].slice(1) + ".", "headline"));
    if (row.m) {
      const dl = make("dl", undefined, "numbers");
      for (const [k, v] of row.m) { const d = make("div"); d.append(make("dt", k), make("dd", plain(v))); dl.append(d); }
      words.append(dl);
    }
    if (row.f) words.append(list(row.f, data.flags, "Noticed"));
    if (row.r) words.append(list(row.r, data.reasons, "Why"));
    box.append(words);
    cell.append(box);
    const tr = make("tr", undefined, "detail");
    tr.append(cell);
    return tr;
  };

  const line = (index) => {
    const row = data.rows[index], tr = make("tr");
    row.t.forEach((text, c) => {
      const cell = make(c === 0 ? "th" : "td", undefined, c >= FIRST_NUMBER ? "num" : c === 0 ? "name" : "");
      if (c === 0) {
        cell.scope = "row";
        const button = make("button", plain(text), "open");
        button.type = "button";
        button.setAttribute("aria-expanded", "false");
        button.addEventListener("click", () => toggle(tr, button, row));
        tr.addEventListener("keydown", (e) => { if (e.key === "Escape" && button.getAttribute("aria-expanded") === "true") toggle(tr, button, row); });
        if (row.o) {
          const small = sketch(row);
          small.setAttribute("class", "sketch thumb");
          small.setAttribute("aria-hidden", "true"); // the opened picture has the words
          cell.append(small);
        }
        cell.append(button);
      } else if (c === 1) cell.append(make("span", text, "chip " + text));
      else cell.textContent = plain(text);
      tr.append(cell);
    });
    return tr;
  };

  const toggle = (tr, button, row) => {
    const open = button.getAttribute("aria-expanded") === "true";
    button.setAttribute("aria-expanded", String(!open));
    if (open) { tr.nextSibling.remove(); button.focus(); } else tr.after(details(row));
  };

  const key = (row, c) => c >= FIRST_NUMBER ? row.k[c - FIRST_NUMBER] : c === 1 ? ORDER[row.t[1]] : row.t[c] === "—" || row.t[c] === "" ? null : row.t[c];
  const compare = (a, b) => typeof a === "number" ? a - b : a < b ? -1 : a > b ? 1 : 0;

  const arrange = () => {
    const text = $("f-text").value.trim().toLowerCase(), kind = $("f-kind").value, session = $("f-session").value;
    const number = $("f-number").checked;
    shown = [];
    data.rows.forEach((row, i) => {
      if (kind && row.t[1] !== kind) return;
      if (session && row.t[2] !== session) return;
      if (number && row.k[0] === null) return;
      if (text) {
        const all = [...row.t.slice(0, 5), ...(row.f || []), ...(row.r || []), row.e || "", ...(row.m || []).map((m) => m[1])];
        if (!all.join("\n").toLowerCase().includes(text)) return;
      }
      shown.push(i);
    });
    if (state.column >= 0) {
      shown.sort((a, b) => {
        const x = key(data.rows[a], state.column), y = key(data.rows[b], state.column);
        if (x === null || y === null) return (x === null) - (y === null) || a - b; // unknown always last
        return (state.down ? -1 : 1) * compare(x, y) || a - b;
      });
    }
    state.page = 0;
    draw();
  };

  const draw = () => {
    const pages = Math.max(1, Math.ceil(shown.length / PER_PAGE)), from = state.page * PER_PAGE;
    body.replaceChildren(...shown.slice(from, from + PER_PAGE).map(line));
    $("status").textContent = `${shown.length} of ${data.rows.length} pictures` +
      (pages > 1 ? `, ${from + 1} to ${Math.min(from + PER_PAGE, shown.length)} shown` : "") + ".";
    $("page").textContent = `page ${state.page + 1} of ${pages}`;
    $("back").disabled = state.page === 0;
    $("next").disabled = state.page >= pages - 1;
    heads.forEach((th, c) => th.setAttribute("aria-sort", c !== state.column ? "none" : state.down ? "descending" : "ascending"));
  };

  heads.forEach((th, c) => th.firstElementChild.addEventListener("click", () => {
    state.down = state.column === c ? !state.down : false;
    state.column = c;
    arrange();
  }));
  for (const id of ["f-text", "f-kind", "f-session", "f-number"]) $(id).addEventListener("input", arrange);
  document.querySelector("form.filters").addEventListener("submit", (e) => e.preventDefault());
  $("back").addEventListener("click", () => { state.page -= 1; draw(); });
  $("next").addEventListener("click", () => { state.page += 1; draw(); });
  arrange();
})();
