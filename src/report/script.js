"use strict";
for (const pair of document.querySelectorAll(".pair")) {
  const stack = pair.querySelector(".stack");
  const slide = document.getElementById(pair.dataset.slide);
  const full = document.getElementById(pair.dataset.full);
  const move = () => {
    stack.style.setProperty("--cut", slide.value + "%");
    slide.setAttribute("aria-valuetext", "before on the left " + slide.value + " percent");
  };
  slide.addEventListener("input", move);
  full.addEventListener("change", () => pair.classList.toggle("full", full.checked));
  let held = false;
  const drag = (event) => {
    const box = stack.getBoundingClientRect();
    slide.value = Math.round(100 * (event.clientX - box.left) / box.width);
    move();
  };
  stack.addEventListener("pointerdown", (event) => {
    held = true;
    stack.setPointerCapture(event.pointerId);
    drag(event);
  });
  stack.addEventListener("pointermove", (event) => { if (held) drag(event); });
  for (const end of ["pointerup", "pointercancel"]) {
    stack.addEventListener(end, () => { held = false; });
  }
  move();
}
const still = window.matchMedia("(prefers-reduced-motion: reduce)");
for (const button of document.querySelectorAll("button.play")) {
  const movie = button.querySelector("video");
  const picture = button.querySelector(".thumb");
  let wanted = false;
  const show = (on) => {
    movie.hidden = !on;
    picture.hidden = on;
    if (on) movie.play().catch(() => {});
    else movie.pause();
  };
  button.addEventListener("click", () => {
    wanted = !wanted;
    button.setAttribute("aria-pressed", String(wanted));
    show(wanted);
  });
  button.addEventListener("pointerenter", (event) => {
    if (event.pointerType === "mouse" && !still.matches) show(true);
  });
  button.addEventListener("pointerleave", () => show(wanted));
}
// What scrolls sideways in a narrow window can be reached with the keyboard.
const reach = () => {
  for (const part of document.querySelectorAll("section, .scroll")) {
    if (part.scrollWidth > part.clientWidth + 1) part.tabIndex = 0;
    else part.removeAttribute("tabindex");
  }
};
window.addEventListener("resize", reach);
reach();
