// Starts everything; without this script the page stands as it is.
let theMap = null;
document.querySelectorAll("div.grid").forEach((box) => { grids[box.dataset.key] = new Grid(box); });
if (data.map) theMap = new LiveMap(document.getElementById("live"), data.map);
else document.documentElement.classList.add("nomap");
document.documentElement.classList.add("js"); // last: where something failed, the still page shows
document.querySelectorAll("pre").forEach((block) => {
  block.before(make("button", { type: "button", class: "copy", onclick: (e) => copyText(`${block.textContent.trim()}\n`, e.currentTarget) }, "Copy"));
});
