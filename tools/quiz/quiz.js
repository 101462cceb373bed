"use strict";
(() => {
  const words = JSON.parse(document.getElementById("words").textContent);
  const questions = [...document.querySelectorAll(".question")];
  const next = document.getElementById("next");
  const back = document.getElementById("back");
  const again = document.getElementById("again");
  const score = document.getElementById("score");
  const keys = document.getElementById("keys");
  document.body.classList.add("scripted");
  let at = 0;
  let first = new Map();

  const fill = (text, values) => text.replace(/\{(\w+)\}/g, (_, key) => values[key]);

  function show(index, focus) {
    questions[at].querySelectorAll("video").forEach((video) => video.pause());
    at = index;
    questions.forEach((question, i) => question.classList.toggle("now", i === at));
    back.disabled = at === 0;
    next.disabled = at === questions.length - 1;
    if (focus) {
      questions[at].querySelector("h2").focus();
      window.scrollTo(0, 0);
    }
  }

  function tell() {
    const right = [...first.values()].filter(Boolean).length;
    const last = first.size === questions.length ? " " + words.done : "";
    score.textContent = first.size ? fill(words.score, { right, asked: first.size }) + last : "";
  }

  function check(question) {
    const chosen = question.querySelector("input:checked");
    const answer = question.querySelector(".answer");
    const verdict = answer.querySelector(".verdict");
    const rest = answer.querySelector(".rest");
    if (!chosen) {
      answer.hidden = false;
      rest.hidden = true;
      verdict.textContent = words.choose;
      return;
    }
    const right = chosen.dataset.right === "yes";
    if (!first.has(question.id)) first.set(question.id, right);
    question.querySelectorAll(".choice").forEach((choice) => {
      const input = choice.querySelector("input");
      choice.classList.toggle("is-right", input.dataset.right === "yes");
      choice.classList.toggle("is-wrong", input === chosen && !right);
    });
    answer.hidden = false;
    rest.hidden = false;
    verdict.textContent = right ? words.right : words.wrong;
    question.dataset.checked = "yes";
    tell();
  }

  questions.forEach((question) => {
    question.querySelector("form").addEventListener("submit", (event) => {
      event.preventDefault();
      check(question);
    });
  });
  next.addEventListener("click", () => show(Math.min(at + 1, questions.length - 1), true));
  back.addEventListener("click", () => show(Math.max(at - 1, 0), true));
  again.addEventListener("click", () => {
    first = new Map();
    questions.forEach((question) => {
      question.querySelector("form").reset();
      question.querySelector(".answer").hidden = true;
      delete question.dataset.checked;
      question.querySelectorAll(".choice").forEach((choice) => {
        choice.classList.remove("is-right", "is-wrong");
      });
    });
    tell();
    show(0, true);
  });

  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey || !keys.checked) return;
    const question = questions[at];
    const inputs = [...question.querySelectorAll("input[type=radio]")];
    if (event.key >= "1" && event.key <= String(inputs.length)) {
      inputs[Number(event.key) - 1].checked = true;
      inputs[Number(event.key) - 1].focus();
    } else if (event.key === "Enter" && event.target.tagName !== "BUTTON" &&
               event.target.id !== "keys") {
      event.preventDefault();
      if (question.dataset.checked === "yes") {
        if (!next.disabled) show(at + 1, true);
      } else check(question);
    } else if (event.key.toLowerCase() === "b") {
      if (!back.disabled) show(at - 1, true);
    } else if (event.key.toLowerCase() === "p") {
      const video = question.querySelector("video");
      if (video && video.paused) video.play();
      else if (video) video.pause();
    }
  });
  show(0, false);
})();
