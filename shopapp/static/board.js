// The planning board: draws what the server says stands, moves bars under hand or key, and asks the server what a move
// does while it is being made. Times are minutes since 1970 (UTC); the shop's own clock is only for words and day lines.

const root = document.querySelector("[data-board]");
if (root) start(root);

function start(board) {
  const ZOOMS = { shift: 96, day: 40, week: 10, month: 2.4 }; // pixels an hour
  const ROW = 52, GAP = 5, MARGIN = 600, LETTERS = 0.8125, LETTERS_BELOW = 0.75, NARROWEST = 3, INSETS = 10; // rem, and pixels of a bar that its edges take and what is left free inside them
  const mayPlan = "mayPlan" in board.dataset;
  const token = document.querySelector("[name=csrfmiddlewaretoken]")?.value ?? "";
  const sheet = board.querySelector("[data-sheet]"), rows = board.querySelector("[data-rows]");
  const scale = board.querySelector("[data-scale]"), told = board.querySelector("[data-told]");
  const push = board.querySelector("[data-push]"), instruments = board.querySelector("[data-instruments]");
  const movesLine = document.querySelector("[data-board-moves]"), watchingLine = document.querySelector("[data-board-watching]");
  const acceptLink = document.querySelector("[data-accept-board]"), undoButton = board.querySelector("[data-undo-move]");
  let data = JSON.parse(document.getElementById("board-data").textContent);
  let zoom = "day", focused = null, lifted = null, watching = [], drawnFrom = 0, drawnTo = 0;
  let dayWords, hourWords;

  // --- Words -------------------------------------------------------------------------------------------

  function clocks() {
    const zone = { timeZone: data.zone };
    dayWords = new Intl.DateTimeFormat("en-GB", { ...zone, weekday: "short", year: "numeric", month: "2-digit", day: "2-digit" });
    hourWords = new Intl.DateTimeFormat("en-GB", { ...zone, hour: "2-digit", minute: "2-digit", hourCycle: "h23" });
  }
  // Days and times as all pages write them, with the day of the week before: Thu 2026-12-03 14:00.
  function dayOf(minutes) {
    const part = Object.fromEntries(dayWords.formatToParts(minutes * 60000).map((one) => [one.type, one.value]));
    return `${part.weekday} ${part.year}-${part.month}-${part.day}`;
  }
  const clock = (minutes) => hourWords.format(minutes * 60000);
  const say = (minutes) => `${dayOf(minutes)} ${clock(minutes)}`;
  const px = (minutes) => ((minutes - data.from) / 60) * ZOOMS[zoom];

  let toldOf = null; // the operation about which is told how it stands, to be told anew when it stands elsewhere
  function tell(lines) {
    toldOf = lines.of ?? null;
    told.replaceChildren(...lines.map(([text, kind, way]) => {
      const line = document.createElement("p");
      if (kind) {
        const strong = document.createElement("strong");
        strong.textContent = `${kind}: `;
        line.append(strong);
      }
      if (way) {
        const link = document.createElement("a");
        link.href = way;
        link.textContent = text;
        line.append(link);
      } else line.append(text);
      return line;
    }));
    if (lifted?.keyed) reveal(lifted.row);
  }

  // What is said stands over the foot of the drawing, and a line behind it is out of sight with the focus in it.
  function reveal(row) {
    const line = rows.querySelector(`[data-row="${CSS.escape(row)}"]`);
    line?.scrollIntoView({ block: "nearest" });
    const behind = line ? line.getBoundingClientRect().bottom - told.getBoundingClientRect().top : 0;
    if (behind > 0) scrollBy(0, behind);
  }

  function about(bar, row) {
    const order = data.orders[bar.order];
    const lines = [[`${order.name}, ${bar.name}: ${say(bar.start)} to ${clock(bar.end)}.`]];
    const others = bar.resources.filter((one) => one !== row).map((one) => byId.get(one)?.name ?? one);
    if (others.length) lines.push([`With ${others.join(", ")}.`]);
    if (bar.state === "started") lines.push(["In hand: it stays where it is."]);
    if (bar.pinned) lines.push(["Pinned: plans leave it where it is."]);
    if (order.promise) lines.push([`Promised ${say(order.promise)}; the order ends ${say(order.end)}.`]);
    if (order.due && (!order.promise || order.end > order.due)) lines.push([`Needed by ${say(order.due)}; the order ends ${say(order.end)}.`]);
    for (const clash of bar.clashes) lines.push([clash, "Clash"]);
    // Everything a key does can be typed as well; on a tablet this is the way.
    if (mayPlan && bar.state === "planned") lines.push(["Move, lengthen, pin or swap by a form", "", new URL(`board/move/${bar.id}/`, location.href)]);
    return Object.assign(lines, { of: { id: bar.id, row } });
  }

  function labelOf(bar) {
    const order = data.orders[bar.order];
    const more = [bar.state === "started" && "in hand", bar.pinned && "pinned", order.late && "late",
      bar.clashes.length && `${bar.clashes.length} clash${bar.clashes.length > 1 ? "es" : ""}`].filter(Boolean);
    return `${order.name}, ${bar.name}, ${say(bar.start)} to ${clock(bar.end)}${more.length ? `, ${more.join(", ")}` : ""}`;
  }

  // --- Drawing -----------------------------------------------------------------------------------------

  let lines = [], byId = new Map(), barsOf = new Map(), bars = new Map();

  function index() {
    byId = new Map(data.rows.map((row) => [row.id, row]));
    bars = new Map(data.bars.map((bar) => [bar.id, bar]));
    barsOf = new Map(data.rows.map((row) => [row.id, []]));
    for (const bar of data.bars) for (const one of bar.resources) barsOf.get(one)?.push(bar);
    for (const some of barsOf.values()) some.sort((a, b) => a.start - b.start || (a.id < b.id ? -1 : 1));
    lines = data.rows.filter((row) => row.kind !== "instrument" || instruments?.checked);
  }

  function layOut() {
    index();
    const wide = px(data.to);
    rows.replaceChildren();
    let kind = "";
    for (const row of lines) {
      const line = document.createElement("div");
      line.className = `board-row${row.kind === kind ? "" : " first"}`;
      kind = row.kind;
      line.dataset.row = row.id;
      const name = document.createElement("div");
      name.className = "board-name";
      name.textContent = row.name;
      if (row.skills?.length) name.title = row.skills.join(", ");
      const lane = document.createElement("div");
      lane.className = "board-lane";
      lane.style.width = `${wide}px`;
      line.append(name, lane);
      rows.append(line);
    }
    scale.style.width = `${wide}px`;
    drawnFrom = drawnTo = 0;
    drawWindow(true);
  }

  // Only what is near the part in sight is in the document: 300 orders are some thousand bars.
  // A board drawn anew gives the focus back; nobody went to that bar, so what was last said stays.
  let refocusing = false;
  function giveBack(element) {
    refocusing = true;
    element?.focus({ preventScroll: true });
    refocusing = false;
  }

  function drawWindow(anew = false) {
    const left = sheet.scrollLeft - MARGIN, right = sheet.scrollLeft + sheet.clientWidth + MARGIN;
    if (!anew && left >= drawnFrom - MARGIN / 2 && right <= drawnTo + MARGIN / 2) return;
    drawnFrom = left;
    drawnTo = right;
    drawScale();
    for (const line of rows.children) {
      const lane = line.lastElementChild, row = byId.get(line.dataset.row), parts = [];
      for (const [from, to] of row.closed) if (px(to) >= left && px(from) <= right) parts.push(block("board-closed", from, to));
      for (const [at] of days) if (px(at) >= left && px(at) <= right) parts.push(block("board-day", at, at));
      for (const [order, from, to] of kept(row)) if (px(to) >= left && px(from) <= right) parts.push(keptBlock(order, from, to));
      // What is in hand keeps its element, and with it the focus, however far from its place the sheet is scrolled.
      const held = (bar) => lifted?.bar === bar && lifted.from === row.id;
      for (const bar of barsOf.get(row.id)) if (held(bar) || (px(bar.end) >= left && px(bar.start) <= right)) parts.push(drawBar(bar, row));
      if (px(data.now) >= left && px(data.now) <= right) parts.push(block("board-now", data.now, data.now));
      lane.replaceChildren(...parts);
    }
    if (lifted) showLifted();
    const again = focused && find(focused.id, focused.row);
    if (again && document.activeElement === document.body) giveBack(again);
    rove();
  }

  let days = [];
  function drawScale() {
    const parts = [];
    days = [];
    const hour = Number(new Intl.DateTimeFormat("en-GB", { timeZone: data.zone, hour: "2-digit", hour12: false }).format(data.from * 60000)) % 24;
    const step = zoom === "shift" ? 1 : zoom === "day" ? 4 : 0;
    let last = "";
    for (let at = data.from - hour * 60; at <= data.to; at += 60) {
      const day = dayOf(at);
      if (day !== last) {
        last = day;
        days.push([at, day]);
      }
      if (step && px(at) >= drawnFrom && px(at) <= drawnTo) {
        const clockHour = Number(clock(at).slice(0, 2));
        if (clockHour && clockHour % step === 0) parts.push(mark("board-hour", at, clock(at)));
      }
    }
    // A day, in the month a week, from its start to the next one: its date stays in sight for as long as it does.
    const starts = days.filter(([, day], number) => zoom !== "month" || !number || day.startsWith("Mon"));
    for (const [number, [at, day]] of starts.entries()) {
      const until = starts[number + 1]?.[0] ?? data.to, part = block("board-date", at, until);
      if (px(until) < drawnFrom || px(at) > drawnTo || px(until) - px(at) < wide(day)) continue;
      const date = document.createElement("b");
      date.textContent = day;
      part.append(date);
      parts.push(part);
    }
    scale.replaceChildren(...parts);
  }

  function mark(name, at, text) {
    const part = document.createElement("span");
    part.className = name;
    part.style.left = `${px(at)}px`;
    part.textContent = text;
    return part;
  }

  function block(name, from, to) {
    const part = document.createElement("div");
    part.className = name;
    part.style.left = `${px(from)}px`;
    part.style.width = `${px(to) - px(from)}px`;
    return part;
  }

  // What an order keeps - its bay, what is fitted - it keeps from the first use to the last: a line below its bars.
  function kept(row) {
    const found = new Map();
    for (const bar of barsOf.get(row.id)) {
      if (!bar.keeps.includes(row.id)) continue;
      const [from, to] = found.get(bar.order) ?? [bar.start, bar.end];
      found.set(bar.order, [Math.min(from, bar.start), Math.max(to, bar.end)]);
    }
    return [...found].map(([order, [from, to]]) => [order, from, to]);
  }

  function keptBlock(order, from, to) {
    const part = block("board-kept", from, to);
    const name = document.createElement("span"), room = (px(to) - px(from)) * (LETTERS / LETTERS_BELOW);
    name.textContent = shorter(data.orders[order].name).find((one) => wide(one) <= room) ?? "";
    part.append(name);
    if (data.orders[order].late) part.classList.add("late");
    return part;
  }

  function drawBar(bar, row) {
    const button = document.createElement("button");
    button.type = "button";
    button.className = "board-bar";
    button.tabIndex = -1;
    button.dataset.id = bar.id;
    button.style.left = `${px(bar.start)}px`;
    button.style.width = `${Math.max(NARROWEST, px(bar.end) - px(bar.start) - 1)}px`;
    if (bar.state === "started") button.classList.add("in-hand");
    if (bar.pinned) button.classList.add("pinned");
    if (bar.clashes.length) button.classList.add("clash");
    if (data.orders[bar.order].late) button.classList.add("late");
    if (bar.end === bar.start) button.classList.add("moment");
    const other = watching.find((one) => one.holding === bar.id);
    if (other) {
      button.classList.add("held-by-other");
      button.title = `${other.name} is moving this`;
    }
    button.setAttribute("aria-label", labelOf(bar));
    const shown = written(bar, row);
    if (shown) {
      const text = document.createElement("span");
      text.textContent = shown;
      button.append(text);
    } else button.classList.add("bare");
    return button;
  }

  // Two letters of a name say less than none: it is written where it has room, cut where enough of it has, else left out.
  function written(bar, row) {
    const room = px(bar.end) - px(bar.start) - INSETS, unit = data.orders[bar.order].name;
    const known = row.kind === "bay" || row.kind === "crane"; // the line below tells the unit
    const before = known ? "" : `${unit} `;
    if (room >= Math.min(wide(before + bar.name), wide(`${before}as-found`))) return before + bar.name;
    return known ? "" : shorter(unit).find((one) => wide(one) <= room);
  }

  // A unit's number without its class says which one it is; with a digit cut off it names another unit.
  const shorter = (unit) => [unit, unit.split(" ").at(-1)];

  const widths = new Map(), pen = document.createElement("canvas").getContext("2d");
  function wide(text) {
    if (!widths.has(text)) {
      pen.font = `${LETTERS * parseFloat(getComputedStyle(document.documentElement).fontSize)}px ${getComputedStyle(rows).fontFamily}`;
      widths.set(text, pen.measureText(text.replaceAll(/\d/g, "0")).width); // figures are all as wide as the widest
    }
    return widths.get(text);
  }

  const find = (id, row) => rows.querySelector(`[data-row="${CSS.escape(row)}"] [data-id="${CSS.escape(id)}"]`);
  const rowOf = (element) => element.closest("[data-row]")?.dataset.row;

  // The other operations of the same order, wherever they stand, are marked.
  function markKin() {
    const order = focused && bars.get(focused.id)?.order;
    for (const one of rows.querySelectorAll(".board-bar")) one.classList.toggle("kin", bars.get(one.dataset.id)?.order === order);
  }

  function rove() {
    markKin();
    const wanted = (focused && find(focused.id, focused.row)) || rows.querySelector(".board-bar");
    for (const one of rows.querySelectorAll('.board-bar[tabindex="0"]')) one.tabIndex = -1;
    if (wanted) wanted.tabIndex = 0;
  }

  function go(bar, row) {
    focused = { id: bar.id, row };
    const left = px(bar.start);
    if (left < sheet.scrollLeft + 20 || left > sheet.scrollLeft + sheet.clientWidth - 220) sheet.scrollLeft = Math.max(0, left - 120);
    drawWindow();
    const element = find(bar.id, row);
    rove();
    element?.focus({ preventScroll: true });
    tell(about(bar, row));
    reveal(row);
  }

  // --- Asking the server -------------------------------------------------------------------------------

  async function post(url, fields) {
    const body = new URLSearchParams();
    for (const [name, value] of Object.entries(fields)) if (value !== undefined && value !== null) body.set(name, value);
    const answer = await fetch(url, { method: "POST", body, headers: { "X-CSRFToken": token, Accept: "application/json" } });
    const found = await answer.json().catch(() => ({ reasons: [`The server answered ${answer.status}.`] }));
    return { ok: answer.ok, ...found };
  }

  // One question at a time; of those asked meanwhile only the last counts.
  let asking = false, next = null;
  async function ask() {
    if (asking) return;
    asking = true;
    while (next) {
      const now = next;
      next = null;
      const found = await post(board.dataset.try, now.fields).catch(() => ({ ok: false, reasons: ["No answer from the server."] }));
      if (lifted?.bar === now.bar && !lifted.outside) showEffect(found, now); // also on the way: the hand may not rest
    }
    asking = false;
  }

  function effectLines(found) {
    if (!found.ok) return (found.reasons ?? ["It could not be asked."]).map((text) => [text, "Not possible"]);
    return [...found.clashes.map((text) => [text, "Clash"]), ...found.notes.map((text) => [text, ""])];
  }

  function showEffect(found, asked) {
    const at = `${data.orders[lifted.bar.order].name}, ${lifted.bar.name}: ${say(asked.start)}, ${byId.get(asked.row)?.name ?? ""}.`;
    tell([[at], ...effectLines(found)]);
    for (const ghost of rows.querySelectorAll(".board-ghost")) ghost.remove();
    if (!found.ok) return;
    for (const [id, one] of Object.entries(found.bookings)) {
      if (id === lifted.bar.id) continue;
      for (const resource of one.resources) {
        const lane = rows.querySelector(`[data-row="${CSS.escape(resource)}"] .board-lane`);
        lane?.append(block("board-ghost", one.start, one.end));
      }
    }
    find(lifted.bar.id, lifted.from)?.classList.toggle("clash", found.clashes.length > 0);
  }

  const fieldsOf = (one) => ({
    operation: one.bar.id, start: one.start === one.bar.start ? undefined : one.start,
    old: one.row === one.from ? undefined : one.from, new: one.row === one.from ? undefined : one.row,
    push: push?.checked ? "true" : "false",
  });

  function look() {
    next = { bar: lifted.bar, start: lifted.start, row: lifted.row, fields: fieldsOf(lifted) };
    ask();
  }

  async function change(fields, bar, done = "Moved") {
    const found = await post(board.dataset.change, { ...fields, seen: JSON.stringify(bar.seen) }).catch(() => ({ ok: false, reasons: ["No answer from the server; nothing was moved."] }));
    await reload();
    const lines = effectLines(found);
    tell(found.ok ? [[`${done}: ${data.orders[bar.order].name}, ${bar.name}.`], ...lines] : lines.map(([text]) => [text, "Not done"]));
    return found;
  }

  let looked = 0, reading = 0, waiting = false, newest = Promise.resolve();
  // Who waits for the board waits for the newest of it: what was moved is there before anything else is done with it.
  function reload(quietly = false) {
    newest = readBoard(quietly);
    return newest;
  }

  async function readBoard(quietly) {
    const url = new URL(board.dataset.url, location.href);
    // The clock goes on and facts change though nobody moves anything: each minute all of it is read again.
    if (quietly && (looked += 1) % 20) url.searchParams.set("mark", data.mark);
    if (lifted) url.searchParams.set("holding", lifted.bar.id);
    const mine = (reading += 1);
    const answer = await fetch(url, { headers: { Accept: "application/json" } });
    if (mine !== reading) return newest; // asked before a move that is read since
    if (answer.status === 204) return showWatching([]);
    if (!answer.ok) return;
    const found = await answer.json();
    if (mine !== reading) return newest;
    if (found.rows) {
      if (lifted) return; // what is in hand is not pulled away; the move itself is refused when it clashes with another
      const had = document.activeElement?.classList.contains("board-bar");
      const same = quietly && JSON.stringify([data.bars, data.orders]) === JSON.stringify([found.bars, found.orders]);
      data = found;
      clocks();
      layOut();
      if (had && focused) giveBack(find(focused.id, focused.row));
      if (toldOf) tell(bars.has(toldOf.id) ? about(bars.get(toldOf.id), toldOf.row) : []);
      showMoves();
      if (!same) renewList();
    }
    showWatching(found.watching ?? []);
  }

  // The sentences and lists around the drawing say the same as it does, so they follow.
  async function renewList() {
    const answer = await fetch(location.href);
    if (!answer.ok) return;
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const opened = [...document.querySelectorAll("#board-list details[open]")].map((one) => one.dataset.order);
    for (const one of page.querySelectorAll("#board-list details")) one.open = opened.includes(one.dataset.order);
    for (const id of ["board-undecided", "board-version", "board-broken", "board-list", "board-rest"]) {
      const old = document.getElementById(id), fresh = page.getElementById(id);
      if (old && fresh && !old.contains(document.activeElement)) old.replaceWith(fresh);
    }
  }

  function showMoves() {
    const count = data.mark.split(":")[1] ? data.mark.split(":")[1].split(",").length : 0;
    movesLine.textContent = count ? `${count} move${count > 1 ? "s" : ""} by hand on top of it, not accepted yet.` : "";
    if (acceptLink) acceptLink.hidden = !count;
    if (undoButton) undoButton.disabled = !count;
  }

  function showWatching(others) {
    const changed = JSON.stringify(others) !== JSON.stringify(watching);
    watching = others;
    if (!changed) return;
    const parts = others.map((one) => {
      const bar = bars.get(one.holding);
      return bar ? `${one.name} is moving ${data.orders[bar.order].name}, ${bar.name}.` : `${one.name} has the board open.`;
    });
    watchingLine.textContent = parts.join(" ");
    if (!lifted) drawWindow(true);
  }

  // --- Moving ------------------------------------------------------------------------------------------

  function lift(bar, row) {
    if (!mayPlan) return tell(about(bar, row));
    if (bar.state === "started") return tell([[`${data.orders[bar.order].name}, ${bar.name} is in hand and stays where it is.`]]);
    lifted = { bar, from: row, row, start: bar.start, outside: false };
    find(bar.id, row)?.classList.add("lifted");
    tell([[`Lifted: ${data.orders[bar.order].name}, ${bar.name}. Arrow keys move it, Enter puts it down, Escape leaves it where it was.`]]);
    look();
    reload(true).catch(() => {}); // others are told at once what is in hand, not at the next turn
  }

  function showLifted() {
    const element = find(lifted.bar.id, lifted.from);
    if (!element) return;
    const line = rows.querySelector(`[data-row="${CSS.escape(lifted.row)}"]`), own = rows.querySelector(`[data-row="${CSS.escape(lifted.from)}"]`);
    const down = line && own ? line.offsetTop - own.offsetTop : 0;
    element.classList.add("lifted");
    element.style.transform = `translate(${px(lifted.start) - px(lifted.bar.start)}px, ${down}px)`;
  }

  function liftByKey() {
    lift(bars.get(focused.id), focused.row);
    if (lifted) lifted.keyed = true;
  }

  // Not past the left end of the board, where nobody would see it.
  function shift(by) {
    lifted.start = Math.max(lifted.start + by, Math.ceil(data.from / data.grid) * data.grid);
    showLifted();
    const left = px(lifted.start);
    if (left < sheet.scrollLeft + 40 || left > sheet.scrollLeft + sheet.clientWidth - 260) sheet.scrollLeft = Math.max(0, left - 200);
    look();
  }

  // The same time of another day, also over a change of the clocks.
  function shiftDay(days) {
    const wall = (at) => Number(clock(at).slice(0, 2)) * 60 + Number(clock(at).slice(3, 5));
    const off = wall(lifted.start) - wall(lifted.start + days * 1440);
    shift(days * 1440 + off - Math.round(off / 1440) * 1440);
  }

  function swap(step) {
    const same = lines.filter((row) => row.kind === byId.get(lifted.from).kind);
    const at = same.findIndex((row) => row.id === lifted.row);
    const wanted = same[Math.min(same.length - 1, Math.max(0, at + step))];
    if (!wanted || wanted.id === lifted.row) return;
    lifted.row = wanted.id;
    showLifted();
    look();
  }

  function leave() {
    const { bar, from } = lifted;
    lifted = null;
    next = null;
    letGo();
    for (const ghost of rows.querySelectorAll(".board-ghost")) ghost.remove();
    drawWindow(true);
    find(bar.id, from)?.focus({ preventScroll: true });
    tell([["Left where it was."]]);
  }

  async function putDown() {
    const one = lifted;
    lifted = null;
    next = null;
    letGo();
    for (const ghost of rows.querySelectorAll(".board-ghost")) ghost.remove();
    if (one.start === one.bar.start && one.row === one.from) {
      drawWindow(true);
      find(one.bar.id, one.from)?.focus({ preventScroll: true });
      return tell(about(one.bar, one.from));
    }
    focused = { id: one.bar.id, row: one.row };
    const found = await change(fieldsOf(one), one.bar);
    if (!found.ok) focused = { id: one.bar.id, row: one.from };
    giveBack(find(focused.id, focused.row));
    rove();
  }

  rows.addEventListener("pointerdown", (event) => {
    const element = event.target.closest(".board-bar");
    if (!element || event.button !== 0) return;
    if (lifted) leave(); // one operation in hand at a time
    const bar = bars.get(element.dataset.id), row = rowOf(element);
    focused = { id: bar.id, row };
    rove();
    element.focus({ preventScroll: true });
    tell(about(bar, row));
    if (!mayPlan || bar.state === "started" || event.pointerType === "touch") return;
    event.preventDefault();
    drag(event, bar, row);
  });

  // The rows hold the pointer, not the bar: bars are drawn anew while the sheet scrolls under the hand.
  let letGo = () => {};
  function drag(event, bar, row) {
    const from = { x: event.clientX, y: event.clientY, left: sheet.scrollLeft };
    let frame = 0, last = event;
    rows.setPointerCapture(event.pointerId);
    const follow = () => {
      frame = 0;
      if (!lifted) {
        if (Math.hypot(last.clientX - from.x, last.clientY - from.y) < 5) return;
        lift(bar, row);
      }
      const edge = sheet.getBoundingClientRect(), was = sheet.scrollLeft;
      const outside = last.clientY < edge.top - 24 || last.clientY > edge.bottom + 24;
      if (outside) {
        if (lifted.outside) return;
        Object.assign(lifted, { start: bar.start, row, outside });
        for (const ghost of rows.querySelectorAll(".board-ghost")) ghost.remove();
        showLifted();
        return tell([["Outside the board: let go here and it stays where it was."]]);
      }
      if (last.clientX > edge.right - 40) sheet.scrollLeft += 8;
      if (last.clientX < edge.left + 200) sheet.scrollLeft -= 8;
      if (sheet.scrollLeft !== was) frame = requestAnimationFrame(follow); // goes on while the hand rests at the edge
      const across = last.clientX - from.x + sheet.scrollLeft - from.left;
      const grid = data.grid, raw = bar.start + (across / ZOOMS[zoom]) * 60;
      const start = Math.round(raw / grid) * grid;
      const under = document.elementsFromPoint(Math.max(edge.left + 20, Math.min(edge.right - 20, last.clientX)), last.clientY).filter((one) => !one.closest(".lifted")).map(rowOf).find(Boolean);
      const fits = under && byId.get(under).kind === byId.get(row).kind ? under : row;
      if (start !== lifted.start || fits !== lifted.row || lifted.outside) {
        Object.assign(lifted, { start, row: fits, outside });
        look();
      }
      showLifted();
    };
    const move = (moved) => {
      last = moved;
      frame ||= requestAnimationFrame(follow);
    };
    const end = (ended) => {
      letGo();
      if (!lifted) return;
      if (ended.type !== "pointerup" || lifted.outside) leave();
      else putDown();
    };
    letGo = () => {
      letGo = () => {};
      for (const [name, act] of [["pointermove", move], ["pointerup", end], ["pointercancel", end], ["lostpointercapture", end]]) rows.removeEventListener(name, act);
      if (rows.hasPointerCapture(event.pointerId)) rows.releasePointerCapture(event.pointerId);
      cancelAnimationFrame(frame);
    };
    for (const [name, act] of [["pointermove", move], ["pointerup", end], ["pointercancel", end], ["lostpointercapture", end]]) rows.addEventListener(name, act);
  }

  function neighbour(step) {
    const some = barsOf.get(focused.row);
    const at = some.findIndex((bar) => bar.id === focused.id);
    const wanted = some[at + step];
    if (wanted) go(wanted, focused.row);
  }

  function lineBeside(step) {
    const here = bars.get(focused.id);
    for (let at = lines.findIndex((row) => row.id === focused.row) + step; at >= 0 && at < lines.length; at += step) {
      const some = barsOf.get(lines[at].id);
      if (!some.length) continue;
      const wanted = some.reduce((best, bar) => (Math.abs(bar.start - here.start) < Math.abs(best.start - here.start) ? bar : best));
      return go(wanted, lines[at].id);
    }
  }

  // One after another: a key pressed again at once means the operation as the press before left it.
  let altering = Promise.resolve();
  const alter = (wanted) => {
    const { id, row } = focused;
    if (mayPlan) altering = altering.then(() => alterNow(id, row, wanted)).catch(() => {});
  };

  async function alterNow(id, row, wanted) {
    const bar = bars.get(id);
    if (!bar || lifted) return;
    const fields = wanted(bar);
    if (!fields) return tell([["It is as short as it goes by key; its form takes any length."]]);
    const done = fields.minutes ? `Now ${fields.minutes} min` : fields.pin === "true" ? "Pinned" : "Let go";
    await change({ operation: bar.id, push: push?.checked ? "true" : "false", ...fields }, bar, done);
    focused = { id: bar.id, row };
    rove();
    giveBack(find(bar.id, row));
  }

  let othersMove = null; // the board on which was said that its last move is somebody else's
  async function undo() {
    const found = await post(board.dataset.undo, { whoever: othersMove === data.mark }).catch(() => ({ ok: false, reasons: ["No answer from the server."] }));
    await reload();
    othersMove = found.not_yours ? data.mark : null;
    const bar = bars.get(found.undone);
    tell(found.ok ? [[`Taken back: ${bar ? `${data.orders[bar.order].name}, ${bar.name}` : "the last move"}${found.by ? `, ${found.did} by ${found.by}` : ""}.`]] : found.reasons.map((text) => [text]));
  }

  const KEYS = {
    ArrowLeft: (event) => (lifted ? shift(event.shiftKey ? -60 : -data.grid) : neighbour(-1)),
    ArrowRight: (event) => (lifted ? shift(event.shiftKey ? 60 : data.grid) : neighbour(1)),
    ArrowUp: () => (lifted ? swap(-1) : lineBeside(-1)),
    ArrowDown: () => (lifted ? swap(1) : lineBeside(1)),
    PageUp: () => lifted && shiftDay(-1),
    PageDown: () => lifted && shiftDay(1),
    Enter: () => (lifted ? putDown() : liftByKey()),
    Escape: () => lifted && leave(),
    p: () => !lifted && alter((bar) => ({ pin: bar.pinned ? "false" : "true" })),
    "+": () => !lifted && alter((bar) => ({ minutes: bar.minutes + data.grid })),
    "-": () => !lifted && alter((bar) => bar.minutes > data.grid && { minutes: Math.max(data.grid, bar.minutes - data.grid) }),
  };

  rows.addEventListener("keydown", (event) => {
    const element = event.target.closest(".board-bar");
    const act = KEYS[event.key] ?? KEYS[event.key.toLowerCase()];
    if (!element || !act || event.ctrlKey || event.metaKey || event.altKey) return;
    focused ??= { id: element.dataset.id, row: rowOf(element) };
    event.preventDefault();
    act(event);
  });
  rows.addEventListener("focusin", (event) => {
    const element = event.target.closest(".board-bar");
    if (!element || lifted) return;
    focused = { id: element.dataset.id, row: rowOf(element) };
    if (!refocusing && element.matches(":focus-visible")) tell(about(bars.get(focused.id), focused.row));
  });
  // Where there is no mouse a finger scrolls; a tap tells about an operation, with the way to its plain form.
  rows.addEventListener("click", (event) => {
    const element = event.target.closest(".board-bar");
    if (!element || event.detail === 0) return;
    tell(about(bars.get(element.dataset.id), rowOf(element)));
  });
  document.addEventListener("keydown", (event) => {
    if (event.target.closest("input, select, textarea, dialog")) return;
    if ((event.ctrlKey || event.metaKey) && event.key === "z" && mayPlan) {
      event.preventDefault();
      if (!lifted) undo();
    } else if (!event.ctrlKey && !event.altKey && ["1", "2", "3", "4"].includes(event.key)) {
      setZoom(Object.keys(ZOOMS)[Number(event.key) - 1]);
    } else if (event.key === "n" && !event.ctrlKey) toNow();
  });

  // --- The window on time ------------------------------------------------------------------------------

  function setZoom(wanted) {
    // The operation that is meant stays where it is on the screen, else now, else the middle, whichever is in sight:
    // whoever looks at the month and back is again where the work is.
    const meant = focused && bars.get(focused.id), left = sheet.scrollLeft, seen = left + sheet.clientWidth;
    const inSight = meant && px(meant.end) > left && px(meant.start) < seen;
    const nowInSight = px(data.now) >= left && px(data.now) < seen;
    const middle = data.from + (((left + seen) / 2) / ZOOMS[zoom]) * 60;
    const stays = inSight ? meant.start : nowInSight ? data.now : middle, across = px(stays) - left;
    zoom = wanted;
    board.dataset.zoomed = wanted;
    for (const button of board.querySelectorAll("[data-zoom]")) button.setAttribute("aria-pressed", String(button.dataset.zoom === wanted));
    layOut();
    sheet.scrollLeft = Math.max(0, px(stays) - across);
    drawWindow(true);
  }

  function toNow() {
    sheet.scrollLeft = Math.max(0, px(data.now) - 120);
    drawWindow(true);
  }

  for (const button of board.querySelectorAll("[data-zoom]")) button.addEventListener("click", () => setZoom(button.dataset.zoom));
  board.querySelector("[data-now]").addEventListener("click", toNow);
  undoButton?.addEventListener("click", undo);
  document.querySelector("[data-to-board]")?.addEventListener("click", (event) => {
    event.preventDefault();
    rows.querySelector('.board-bar[tabindex="0"]')?.focus();
  });
  instruments?.addEventListener("change", layOut);
  let scrolled = 0;
  sheet.addEventListener("scroll", () => {
    scrolled ||= requestAnimationFrame(() => {
      scrolled = 0;
      drawWindow();
    });
  });
  addEventListener("resize", () => drawWindow(true));
  document.fonts.ready.then(() => {
    widths.clear();
    if (!lifted) drawWindow(true);
  });

  board.style.setProperty("--board-row", `${ROW}px`);
  board.style.setProperty("--board-gap", `${GAP}px`);
  board.hidden = false;
  clocks();
  setZoom(sheet.clientWidth < 900 ? "week" : "day");
  const first = data.bars.reduce((least, bar) => Math.min(least, bar.start), data.bars.length ? data.to : data.now);
  sheet.scrollLeft = Math.max(0, px(Math.max(data.now, first)) - 120);
  drawWindow(true);
  const turn = async () => {
    if (document.hidden || waiting) return;
    waiting = true;
    await reload(true).catch(() => {});
    waiting = false;
  };
  setInterval(turn, 3000);
}
