"use strict";
/* Finds words in the guide: topics and rows without them are hidden, and how many are left is said.
   Without it everything is there. */
(() => {
  const box = document.querySelector(".search");
  const input = document.getElementById("guide-words");
  if (!box || !input) return;
  const told = box.querySelector("output");
  const topics = [...document.querySelectorAll(".topic")].map((topic) => ({
    topic,
    text: topic.textContent.toLowerCase(),
    rows: [...topic.querySelectorAll("tbody tr")].map((row) => ({ row, text: row.textContent.toLowerCase() })),
  }));
  const find = () => {
    const words = input.value.toLowerCase().split(/\s+/).filter(Boolean);
    const has = (text) => words.every((word) => text.includes(word));
    let left = 0;
    for (const { topic, text, rows } of topics) {
      topic.hidden = !has(text);
      if (!topic.hidden) left += 1;
      const some = rows.some(({ text: row }) => has(row));
      for (const { row, text: words_of } of rows) row.hidden = some && !has(words_of);
    }
    told.textContent = words.length ? `${left} of ${topics.length} topics` : "";
  };
  box.hidden = false;
  input.addEventListener("input", find);
})();
