// Says whether the page is live, and fetches a station's page anew when it changed.
// Without this file every page still works: it is then right for the moment it was loaded.
(() => {
  "use strict";
  const stream = document.querySelector("[hx-sse\\:connect]");
  const pulse = document.getElementById("pulse");
  if (!stream || !pulse) return;

  const SILENCE_MS = 8000;
  const AGAIN_MS = 4000;
  let heard = performance.now();
  let tried = performance.now();
  let connected = false;
  let state = "off";

  const clock = () =>
    new Intl.DateTimeFormat("en-GB", {
      hour: "2-digit", minute: "2-digit", second: "2-digit",
      timeZone: document.documentElement.dataset.zone,
    }).format(new Date());

  const say = (next) => {
    if (next === state) return;
    state = next;
    pulse.className = "pulse " + next;
    pulse.textContent = pulse.dataset[next].replace("{time}", clock());
    document.body.classList.toggle("cut", next === "cut");
  };

  const alive = () => { connected = true; heard = performance.now(); say("live"); };
  const lost = () => say("cut");

  // The stream mends itself once it has begun; a first try that failed is made again here.
  const connectAgain = () => {
    if (connected || document.hidden || performance.now() - tried < AGAIN_MS) return;
    tried = performance.now();
    const url = stream.getAttribute("hx-sse:connect");
    htmx.ajax("GET", url, { source: stream, swap: "none" }).catch(lost);
  };

  stream.addEventListener("htmx:sse:after:connection", alive);
  stream.addEventListener("htmx:sse:after:message", alive);
  stream.addEventListener("beat", alive);
  stream.addEventListener("htmx:sse:error", lost);
  stream.addEventListener("htmx:sse:close", () => { connected = false; lost(); });
  window.addEventListener("offline", lost);
  window.setInterval(() => {
    if (performance.now() - heard > SILENCE_MS) lost();
    connectAgain();
  }, 1000);

  // Who can't see the cards is told when a station comes to want somebody.
  const news = document.getElementById("news");
  const wanting = () => new Map(
    [...stream.querySelectorAll(".card.held, .card.doubt")].map((card) => [
      card.id, `${card.querySelector("h2 a").textContent}: ${card.querySelector(".state").textContent}`,
    ]),
  );
  let known = wanting();
  const tell = () => {
    const now = wanting();
    const fresh = [...now].filter(([id]) => !known.has(id)).map(([, words]) => words);
    if (fresh.length) news.textContent = fresh.join(". ");
    known = now;
  };
  document.addEventListener("htmx:after:swap", tell);
  stream.addEventListener("htmx:sse:after:message", tell);

  // An open form stays as it is while everything around it follows: what is being typed is not
  // taken away. It catches up when it is closed.
  const again = stream.dataset.again;
  if (!again) return;
  const into = stream.dataset.into;
  const EVERY_MS = 700;
  let looked = -EVERY_MS;
  let due = 0;
  const look = () => {
    if (due) return;
    due = window.setTimeout(() => {
      due = 0;
      looked = performance.now();
      htmx.ajax("GET", again, { target: into, select: into, swap: "outerMorph" }).catch(lost);
    }, Math.max(0, looked + EVERY_MS - performance.now()));
  };
  const keepOpenForms = () => {
    for (const form of stream.querySelectorAll("details")) {
      form.toggleAttribute("hx-morph-skip", form.open);
    }
  };
  document.addEventListener("htmx:before:swap", keepOpenForms);
  stream.addEventListener("changed", look);
  stream.addEventListener("toggle", (told) => { if (!told.target.open) look(); }, true);
})();
