// Small helps on top of pages that work without them: answers while one types, picking, dropping folders.
"use strict";

// ---- answers while one types: the form's answer is fetched a moment after the last key; late replies are dropped ----
const WAIT_MS = 150;
function wakeForm(form) {
  const place = document.getElementById(form.dataset.answers);
  const said = document.getElementById(form.dataset.answers + "-said");
  let waiting, asked = null;
  async function ask() {
    if (asked) asked.abort();
    const mine = (asked = new AbortController());
    const words = new URLSearchParams([...new FormData(form)].filter(([, value]) => value !== ""));
    place.setAttribute("aria-busy", "true");
    try {
      const reply = await fetch(form.dataset.from + "?" + words, { signal: mine.signal });
      const text = await reply.text();
      if (mine !== asked) return; // a later question is under way
      if (reply.headers.get("content-type").startsWith("text/html") && reply.status !== 503) {
        const fresh = new DOMParser().parseFromString(text, "text/html");
        place.replaceChildren(...fresh.body.childNodes);
        history.replaceState(null, "", form.action.split("?")[0] + "?" + words);
        markProblems(form, place);
        if (said) said.textContent = (place.querySelector(".answer") || place.querySelector(".notice") || {}).textContent || "";
      } else {
        place.querySelector("[data-busy]")?.remove();
        const note = document.createElement("p");
        note.className = "notice";
        note.dataset.busy = "";
        note.textContent = reply.status === 503 ? "The database is in use; asking again in a moment." : "This can’t be answered.";
        place.prepend(note);
        if (reply.status === 503) waiting = setTimeout(ask, 1000 * (Number(reply.headers.get("retry-after")) || 2));
      }
    } catch (error) {
      if (error.name !== "AbortError") throw error;
    } finally {
      if (mine === asked) place.removeAttribute("aria-busy");
    }
  }
  form.addEventListener("input", () => { clearTimeout(waiting); waiting = setTimeout(ask, WAIT_MS); });
  form.addEventListener("submit", (event) => { event.preventDefault(); clearTimeout(waiting); ask(); });
}

// The words about a field that can't be read stand in the answer; the field points to them.
function markProblems(form, place) {
  form.querySelectorAll("[aria-invalid]").forEach((field) => {
    field.removeAttribute("aria-invalid");
    field.removeAttribute("aria-describedby");
  });
  form.querySelectorAll(".problem").forEach((words) => words.remove());
  place.querySelectorAll("[data-problem]").forEach((words) => {
    const field = form.elements[words.dataset.problem];
    if (!field || !field.setAttribute) return;
    field.setAttribute("aria-invalid", "true");
    field.setAttribute("aria-describedby", words.id);
  });
}

// ---- a published table: its headings sort it ----
function wakeTable(table) {
  const heads = [...table.tHead.rows[0].cells];
  const number = (cell) => {
    const text = (cell.querySelector(".figure") || cell).textContent.replace(/[\u202f≥≤\s]/g, "").replace("−", "-");
    return text === "" || text.startsWith("–") ? NaN : Number(text);
  };
  heads.forEach((head, column) => {
    const words = head.textContent.trim();
    if (!words) return;
    const button = document.createElement("button");
    button.className = "plain";
    button.append(...head.childNodes);
    head.append(button);
    button.addEventListener("click", () => {
      const up = head.getAttribute("aria-sort") !== "ascending";
      heads.forEach((other) => other.removeAttribute("aria-sort"));
      head.setAttribute("aria-sort", up ? "ascending" : "descending");
      const numeric = head.classList.contains("number");
      const rows = [...table.tBodies[0].rows];
      rows.sort((a, b) => {
        if (!numeric) return (up ? 1 : -1) * a.cells[column].textContent.trim().localeCompare(b.cells[column].textContent.trim());
        const [x, y] = [number(a.cells[column]), number(b.cells[column])];
        if (Number.isNaN(x) || Number.isNaN(y)) return Number.isNaN(x) - Number.isNaN(y);
        return up ? x - y : y - x;
      });
      table.tBodies[0].append(...rows);
    });
  });
}

// ---- dropping a folder: its files are sent with their paths below it ----
function wakeDrop(form) {
  const said = form.querySelector("[data-drop-said]");
  async function entries(item, path, into) {
    if (item.isFile) {
      const file = await new Promise((done, failed) => item.file(done, failed));
      into.push([path + item.name, file]);
      return;
    }
    const reader = item.createReader();
    for (;;) {
      const some = await new Promise((done, failed) => reader.readEntries(done, failed));
      if (!some.length) return;
      for (const inner of some) await entries(inner, path + item.name + "/", into);
    }
  }
  async function send(files) {
    const body = new FormData();
    body.append("token", form.elements.token.value);
    files.forEach(([path, file]) => body.append("files", file, path));
    said.textContent = `Looking at ${files.length} files …`;
    const reply = await fetch(form.action, { method: "POST", body });
    const page = new DOMParser().parseFromString(await reply.text(), "text/html");
    const main = page.querySelector("main");
    if (!main) { said.textContent = "The upload was turned away: " + page.body.textContent.trim(); return; }
    document.title = page.title;
    document.querySelector("main").replaceWith(document.importNode(main, true));
    window.speakerdbFetchCharts?.();
    document.querySelector("main").focus();
    scrollTo(0, 0);
  }
  form.addEventListener("submit", (event) => {
    const files = [...form.querySelectorAll("input[type=file]")].flatMap((field) =>
      [...field.files].map((file) => [file.webkitRelativePath || file.name, file]));
    event.preventDefault();
    if (files.length) send(files); else said.textContent = "Choose a folder or a zip first.";
  });
  form.addEventListener("dragover", (event) => { event.preventDefault(); form.classList.add("over"); });
  form.addEventListener("dragleave", () => form.classList.remove("over"));
  form.addEventListener("drop", async (event) => {
    event.preventDefault();
    form.classList.remove("over");
    const files = [];
    const items = [...event.dataTransfer.items].map((item) => item.webkitGetAsEntry()).filter(Boolean);
    for (const item of items) await entries(item, "", files);
    if (files.length) send(files);
  });
}

// ---- an answer that takes a while: the page asks again until it is there ----
function awaitAnswer(pending) {
  setTimeout(async () => {
    const reply = await fetch(location.href);
    const page = new DOMParser().parseFromString(await reply.text(), "text/html");
    const still = page.querySelector("[data-pending]");
    if (still) { awaitAnswer(still); return; }
    const main = document.importNode(page.querySelector("main"), true);
    document.title = page.title;
    document.querySelector("main").replaceWith(main);
    window.speakerdbFetchCharts?.();
    wake(main);
  }, 1000 * Number(pending.dataset.pending));
}

function wake(root) {
  root.querySelectorAll("form[data-answers]").forEach(wakeForm);
  root.querySelectorAll("table[data-sortable]").forEach(wakeTable);
  root.querySelectorAll("form[data-drop]").forEach(wakeDrop);
  const pending = root.querySelector("[data-pending]");
  if (pending) awaitAnswer(pending);
}
wake(document);
