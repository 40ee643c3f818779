// The zones are on the page at once; the pictures of the recordings are fetched after it.
const place = document.getElementById("drawn");
const state = document.getElementById("drawing");

if (place) {
  const before = [...place.childNodes];
  const request = new XMLHttpRequest();
  request.responseType = "document";
  request.open("GET", place.dataset.from);
  request.addEventListener("load", () => {
    const part = request.status === 200 && request.response && request.response.getElementById("part");
    if (!part) return fail();
    place.replaceChildren(...[...part.childNodes].map((node) => document.importNode(node, true)));
    state.textContent = "";
  });
  request.addEventListener("error", fail);
  place.replaceChildren();
  state.textContent = "The pictures are being drawn …";
  request.send();

  function fail() {
    place.replaceChildren(...before);
    state.textContent = "The pictures could not be drawn now. Try the button.";
  }
}
