"use strict";
// The leader's page shows what is new every few seconds, unless somebody is filling in a form.
setInterval(() => {
  const at = document.activeElement;
  const filling = at && at.closest("form");
  const open = document.querySelector("details[open]");
  if (!document.hidden && !filling && !open) location.reload();
}, 5000);
