// The pairing page and the certificate page. Both work without this.

const code = document.getElementById("code");

// The QR picture carries the code behind "#": browsers never send that part of an address.
function takeCode() {
  const given = window.location.hash.slice(1);
  if (!/^[A-Za-z0-9-]{6,12}$/.test(given)) return;
  window.history.replaceState(null, "", window.location.pathname); // not kept, not shared on
  code.value = given.toUpperCase();
  document.getElementById("filled").hidden = false;
  document.getElementById("pair").focus();
}

if (code) {
  takeCode();
  window.addEventListener("hashchange", takeCode); // scanned again while the page was open
}

const secure = document.getElementById("secure");
if (secure) {
  const canRecord = window.isSecureContext && navigator.mediaDevices !== undefined;
  secure.textContent = canRecord
    ? "This browser takes the connection as secure: it can use the microphone here."
    : "This browser does not take the connection as secure: no microphone here. " +
      "Recordings made with the phone's own recorder can still be uploaded.";
  secure.hidden = false;
}
