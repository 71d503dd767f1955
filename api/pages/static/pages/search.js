// Arrows go through what is suggested, Escape closes it. Enter in the field lists all, as without scripts.
const field = document.getElementById("q");
const suggested = document.getElementById("suggestions");
const said = document.getElementById("suggested");

field.form.addEventListener("keydown", (event) => {
  const links = [...suggested.querySelectorAll("a")];
  const at = links.indexOf(document.activeElement);
  if (event.key === "ArrowDown" && links.length) links[Math.min(at + 1, links.length - 1)].focus();
  else if (event.key === "ArrowUp" && at >= 0) (links[at - 1] ?? field).focus();
  else if (event.key === "Escape" && links.length) {
    suggested.replaceChildren();
    field.focus();
  } else return;
  event.preventDefault();
});

new MutationObserver(() => {
  const count = suggested.querySelectorAll("li").length;
  said.textContent = count ? `${count} suggested; the down arrow goes to them` : "";
}).observe(suggested, { childList: true });
