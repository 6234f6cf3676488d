// Puts the code that a pairing link ends with into the form. It stands behind the #, which a browser
// keeps to itself: no server and no log sees it before somebody presses.
"use strict";
(() => {
  const field = document.getElementById("code");
  function fill() {
    const code = location.hash.slice(1);
    if (field && /^[A-Za-z]{4}-?[A-Za-z]{4}$/.test(code)) field.value = code;
  }
  fill();
  addEventListener("hashchange", fill);
})();
