"use strict";
// Times in the reader's zone; the markup keeps the instant. A day without a time is the same in every zone.
for (const time of document.querySelectorAll("time[datetime*=T]")) {
  const moment = new Date(time.dateTime);
  if (isNaN(moment)) continue;
  const whole = time.textContent.includes("UTC");
  if (whole) time.title = time.textContent;
  time.textContent = moment.toLocaleString("en-GB", {
    day: "numeric", month: "long", year: "numeric", ...(whole ? {hour: "2-digit", minute: "2-digit"} : {}),
  }).replace(" at ", ", ");
}
// Find and filter on the front page: every word must be in the name of the port or the target, or in its state.
const form = document.getElementById("find");
if (form) {
  const words = document.getElementById("words");
  const unwell = document.getElementById("unwell");
  const found = document.getElementById("found");
  const none = document.getElementById("none");
  const ports = [...document.querySelectorAll(".port")].map((element) => ({
    element,
    details: element.querySelector("details"),
    wasOpen: element.querySelector("details").open,
    boards: [...element.querySelectorAll(".boards > li")].map((board) => ({
      element: board,
      text: (element.querySelector("h3").textContent + "/" + board.firstElementChild.textContent + " "
        + board.children[1].textContent).toLowerCase(),
      well: board.children[1].classList.contains("well"),
    })),
  }));
  const show = () => {
    const wanted = words.value.toLowerCase().split(/\s+/).filter(Boolean);
    const asked = wanted.length > 0 || unwell.checked;
    let count = 0;
    for (const port of ports) {
      let here = 0;
      for (const board of port.boards) {
        const fits = wanted.every((word) => board.text.includes(word)) && !(unwell.checked && board.well);
        board.element.hidden = !fits;
        if (fits) here += 1;
      }
      port.element.hidden = here === 0;
      port.details.open = asked ? here > 0 : port.wasOpen;
      count += here;
    }
    none.hidden = count > 0;
    found.textContent = asked ? (count === 1 ? "1 target" : count + " targets") : "";
  };
  form.hidden = false;
  form.addEventListener("input", show);
  form.addEventListener("submit", (event) => event.preventDefault());
  // What the browser kept of an earlier visit counts too.
  show();
}
