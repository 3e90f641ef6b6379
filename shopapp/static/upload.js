// Sends a chosen file with its progress in sight. Without script the same form posts in the ordinary way.

const megabytes = (bytes) => (bytes / 1e6).toFixed(1);

function box(form) {
  let place = form.querySelector("[data-upload-progress]");
  if (place) return place;
  place = document.createElement("div");
  place.dataset.uploadProgress = "";
  place.innerHTML =
    '<p class="progress"><progress max="1" value="0"></progress></p><p role="status" class="figures"></p>' +
    '<p><button type="button">Stop sending</button></p>';
  form.append(place);
  return place;
}

function say(form, text) {
  const place = box(form);
  place.querySelector(".progress").hidden = true;
  place.querySelector("button").hidden = true;
  place.querySelector("[role=status]").textContent = text;
}

function lock(form, locked) {
  const outside = form.id ? [...document.querySelectorAll(`button[form="${form.id}"]`)] : [];
  for (const button of [...form.querySelectorAll("button:not([type=button])"), ...outside]) button.disabled = locked;
}

function showAnswer(form, request) {
  const page = new DOMParser().parseFromString(request.responseText, "text/html");
  const fresh = page.querySelector("main");
  if (!fresh) {
    say(form, `The server answered ${request.status} and nothing was taken in. Send it again, or tell the administrator.`);
    return;
  }
  const main = document.querySelector("main");
  const chosen = form.querySelector("input[type=file]")?.files;
  main.replaceChildren(...fresh.childNodes);
  const again = main.querySelector("form[data-upload] input[type=file]");
  if (again && chosen?.length) again.files = chosen; // what was chosen stays, as what was typed does
  window.htmx?.process(main);
  (main.querySelector("[role=alert], .error") ?? main).scrollIntoView({ block: "center" });
}

function ended(form, request, asked) {
  lock(form, false);
  if (request.status >= 400) return showAnswer(form, request);
  const place = request.getResponseHeader("Location");
  if (place) window.location.assign(place);
  else if (request.responseURL && request.responseURL !== asked) window.location.assign(request.responseURL);
  else showAnswer(form, request);
}

function tooLarge(form) {
  const limit = Number(form.dataset.maxBytes || 0);
  const file = form.querySelector("input[type=file]")?.files?.[0];
  if (!limit || !file || file.size <= limit) return false;
  say(form, `${file.name} has ${megabytes(file.size)} MB; at most ${megabytes(limit)} MB are taken. Nothing was sent.`);
  return true;
}

function send(form) {
  const asked = new URL(form.getAttribute("action") || window.location.href, window.location.href).href;
  const request = new XMLHttpRequest();
  const place = box(form);
  const bar = place.querySelector("progress");
  const status = place.querySelector("[role=status]");
  const stop = place.querySelector("button");
  let sent = 0;
  place.querySelector(".progress").hidden = stop.hidden = false;
  request.upload.addEventListener("progress", (event) => {
    sent = event.loaded;
    if (event.lengthComputable) bar.value = event.loaded / event.total;
    status.textContent = `${megabytes(event.loaded)} of ${megabytes(event.total)} MB sent`;
  });
  request.upload.addEventListener("load", () => { status.textContent = "All sent. The server is storing it."; });
  request.addEventListener("load", () => ended(form, request, asked));
  request.addEventListener("error", () => {
    lock(form, false);
    say(form, `The connection was lost after ${megabytes(sent)} MB. Nothing was taken in; the file is still chosen, send it again.`);
  });
  request.addEventListener("abort", () => { lock(form, false); say(form, "Stopped. Nothing was taken in."); });
  stop.onclick = () => request.abort();
  request.open("POST", asked);
  request.setRequestHeader("Accept", "text/html");
  lock(form, true);
  request.send(new FormData(form));
}

document.addEventListener("submit", (event) => {
  const form = event.target.closest("form[data-upload]");
  if (!form || event.defaultPrevented) return;
  event.preventDefault();
  if (!tooLarge(form)) send(form);
});
