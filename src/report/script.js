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
