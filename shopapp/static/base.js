// Connection line, keys, and the place of an error. Pages work without any of it.

const line = document.querySelector("[data-connection]");

function showConnection(connected) {
  if (!line) return;
  line.textContent = connected ? "" : line.dataset.offline;
  line.hidden = connected;
}

window.addEventListener("online", () => showConnection(true));
window.addEventListener("offline", () => showConnection(false));
document.addEventListener("htmx:sendError", () => showConnection(false));
document.addEventListener("htmx:afterOnLoad", () => showConnection(true));
if (!navigator.onLine) showConnection(false);

const isTyping = (element) => element.matches("input, select, textarea, [contenteditable]");

document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey || isTyping(event.target)) return;
  const keys = document.getElementById("keys");
  if (event.key === "?" && keys) {
    if (keys.open) keys.close();
    else keys.showModal();
  } else if (event.key === "/") {
    const first = document.querySelector(".filter input:not([type=hidden]), .filter select");
    if (!first) return;
    event.preventDefault();
    first.focus();
  }
});

document.querySelector(".reasons[tabindex]")?.focus();

// A button that puts its value into a field, where the value could be typed as well.
document.addEventListener("click", (event) => {
  const button = event.target.closest("[data-fill]");
  const field = button && document.getElementById(button.dataset.fill);
  if (field) field.value = button.dataset.value;
});
