// Says of a table that is wider than its place that it goes on; looked at anew as places and parts that open change.

function tellSideways(places) {
  const wider = [...places].map((place) => [place, place.scrollWidth > place.clientWidth + 1]);
  for (const [place, goesOn] of wider) place.classList.toggle("goes-on", goesOn);
}

function followSideways() {
  const all = () => tellSideways(document.querySelectorAll(".scroll"));
  addEventListener("resize", all);
  document.addEventListener("toggle", all, true);
  all();
}
