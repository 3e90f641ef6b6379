// Keeps a tablet's screen on during a sweep, as far as the browser lets it, and says in words whether it holds.

const place = document.querySelector("[data-stay-awake]");

if (place && "wakeLock" in navigator) {
  const button = document.createElement("button");
  const words = document.createElement("p");
  button.type = "button";
  words.setAttribute("role", "status");
  place.append(button, words);
  let lock = null;
  let wanted = false;

  const show = () => {
    button.textContent = wanted ? "Let the screen go dark" : "Keep the screen on";
    words.textContent = lock ? "The screen stays on." : wanted ? "The screen may go dark." : "";
  };
  const ask = async () => {
    try {
      lock = await navigator.wakeLock.request("screen");
      lock.addEventListener("release", () => { lock = null; show(); });
    } catch {
      lock = null;
    }
    show();
  };
  button.addEventListener("click", async () => {
    wanted = !wanted;
    if (wanted) await ask();
    else await lock?.release();
    show();
  });
  // The browser lets go of the lock whenever the page is hidden.
  document.addEventListener("visibilitychange", () => {
    if (wanted && !lock && document.visibilityState === "visible") ask();
  });
  show();
}
