// A chosen car file is read into the box of text; the form is sent as it always is.
const MOST_BYTES = 150_000;

for (const chooser of document.querySelectorAll("input[type=file][data-into]")) {
  const box = document.getElementById(chooser.dataset.into);
  const slip = document.getElementById("e-choose");
  const read = async () => {
    const file = chooser.files[0];
    if (!file) return;
    slip.hidden = true;
    try {
      if (file.size > MOST_BYTES) throw new Error("This file is far too long for a car file.");
      box.value = await file.text();
      box.focus();
    } catch (error) {
      slip.textContent = `${error.message} Choose the car's .toml file.`;
      slip.hidden = false;
    }
  };
  chooser.closest("[hidden]").hidden = false;
  chooser.addEventListener("change", read);
  read(); // a quick hand chose before this script was there, or the browser brought the choice back
}
