// Shows where a finding is while its sentence has the focus. Without it, following the sentence's link marks the place.

for (const link of document.querySelectorAll(".findings a[data-n]")) {
  const mark = document.getElementById(`at-${link.dataset.n}`);
  for (const event of ["focus", "mouseenter"]) link.addEventListener(event, () => mark.classList.add("pointed"));
  for (const event of ["blur", "mouseleave"]) link.addEventListener(event, () => mark.classList.remove("pointed"));
}
