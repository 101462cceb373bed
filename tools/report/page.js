// Seeking from the timeline, and showing where the clip is. Nothing is fetched or stored.
(() => {
  "use strict";

  const spansOf = (file) => [...file.querySelectorAll(".timeline button.span")];

  function follow(file, video) {
    const length = Number(file.dataset.length) || 0;
    const now = file.querySelector(".now");
    const heads = file.querySelectorAll(".playhead");
    let told = "";

    function show() {
      const time = video.currentTime;
      const share = length > 0 ? Math.min(1, time / length) : 0;
      for (const head of heads) head.style.left = `${100 * share}%`;
      const current = [];
      for (const button of file.querySelectorAll("[data-span]")) {
        const within =
          time >= Number(button.dataset.start) - 0.0005 && time < Number(button.dataset.end);
        if (within) button.setAttribute("aria-current", "true");
        else button.removeAttribute("aria-current");
        if (within && button.classList.contains("span")) current.push(button);
      }
      for (const section of file.querySelectorAll(".one-span"))
        section.classList.toggle("current", current.some((b) => b.dataset.span === section.id));
      const words = current.map((b) => b.getAttribute("aria-label")).join("; ");
      if (words !== told && now) now.textContent = told = words;
    }

    function tick() {
      show();
      if (!video.paused && !video.ended) requestAnimationFrame(tick);
    }

    for (const event of ["loadedmetadata", "seeking", "seeked", "timeupdate"])
      video.addEventListener(event, show);
    video.addEventListener("play", tick);
    video.addEventListener("error", () => {
      file.querySelector(".lost").hidden = false;
    });
    if (video.error) file.querySelector(".lost").hidden = false;
  }

  function load(video) {
    if (video.preload === "none") {
      video.preload = "metadata";
      video.load();
    }
  }

  const near = new IntersectionObserver(
    (seen) => {
      for (const one of seen) if (one.isIntersecting) load(one.target);
    },
    { rootMargin: "50%" },
  );

  function seek(file, video, time) {
    load(video);
    if (video.readyState === 0) {
      video.addEventListener("loadedmetadata", () => seek(file, video, time), { once: true });
      return;
    }
    // Half a millisecond in, so that a frame that starts at that time is the one that is shown.
    video.currentTime = Math.max(0, time) + 0.0005;
    for (const other of document.querySelectorAll("video")) if (other !== video) other.pause();
    const box = video.getBoundingClientRect();
    if (box.bottom < 40 || box.top > innerHeight - 40)
      video.scrollIntoView({ block: "nearest" });
  }

  for (const file of document.querySelectorAll("article[data-length]")) {
    const video = file.querySelector("video");
    if (!video) continue;
    follow(file, video);
    near.observe(video);

    file.addEventListener("click", (event) => {
      const button = event.target.closest("[data-span]");
      if (button) {
        seek(file, video, Number(button.dataset.seek));
        return;
      }
      const track = event.target.closest(".player .track");
      if (!track) return;
      const box = track.getBoundingClientRect();
      const share = (event.clientX - box.left) / box.width;
      seek(file, video, Math.min(1, Math.max(0, share)) * Number(file.dataset.length));
    });

    file.addEventListener("keydown", (event) => {
      const button = event.target.closest(".timeline button.span");
      if (!button || event.altKey || event.ctrlKey || event.metaKey) return;
      const spans = spansOf(file);
      const at = spans.indexOf(button);
      const to = { ArrowRight: at + 1, ArrowDown: at + 1, ArrowLeft: at - 1, ArrowUp: at - 1,
        Home: 0, End: spans.length - 1 }[event.key];
      if (to === undefined) return;
      event.preventDefault();
      spans[Math.min(spans.length - 1, Math.max(0, to))].focus();
    });
  }

  // What is folded away is printed all the same.
  let opened = [];
  addEventListener("beforeprint", () => {
    opened = [...document.querySelectorAll("details:not([open])")];
    for (const details of opened) details.open = true;
  });
  addEventListener("afterprint", () => {
    for (const details of opened) details.open = false;
  });
})();
