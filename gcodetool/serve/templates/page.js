// Comfort only: every page works without this.
'use strict';
const find = document.getElementById('find');
if (find) {
  find.parentElement.hidden = false;
  find.addEventListener('input', () => {
    const words = find.value.toLowerCase().split(/\s+/).filter(Boolean);
    for (const row of document.querySelectorAll('#list > a')) {
      const text = row.textContent.toLowerCase();
      row.hidden = !words.every((word) => text.includes(word));
    }
  });
}
// one tap is enough; the key would catch a second one, but a person should see that the first one counts
for (const form of document.forms) {
  form.addEventListener('submit', () => {
    setTimeout(() => {
      for (const button of form.querySelectorAll('button')) button.disabled = true;
    }, 0);
  });
}
addEventListener('pageshow', () => {
  for (const button of document.querySelectorAll('button')) button.disabled = false;
});
