// The steadied loop: asked for ahead, made by the server in its own time, played where the still view stands.

const ASK_AGAIN_MS = 400;
const MOST_ASKS = 150; // a minute: a loop from a 4K clip on a slow disk takes some seconds

export function makeLoop({ button, words, looking }) {
  let wanted = 0; // which wish is the newest: a loop that comes late must not cover another candidate
  let isPlaying = false;
  const still = matchMedia("(prefers-reduced-motion: reduce)");

  async function ask(card, index, more = "") {
    const reply = await fetch(`/candidates/${card.id}/views/${card.views[index].rank}/loop${more}`);
    const answer = await reply.json();
    return answer.state ? answer : { state: "none", sentence: answer.sentence };
  }

  async function play(card, index) {
    const wish = ++wanted;
    say("Making the steadied loop.");
    for (let asks = 0; asks < MOST_ASKS && wish === wanted; asks += 1) {
      let answer;
      try {
        answer = await ask(card, index);
      } catch {
        answer = { state: "none", sentence: "The server does not answer, so there is no loop now." };
      }
      if (wish !== wanted) return;
      if (answer.state === "ready") {
        await new Promise((resolve) => {
          const image = new Image();
          image.onload = image.onerror = resolve;
          image.src = answer.url;
        });
        if (wish !== wanted) return;
        looking.playLoop(answer.url);
        mark(true);
        say(answer.sentence);
        return;
      }
      if (answer.state === "none") {
        say(answer.sentence);
        mark(false);
        return;
      }
      say(answer.sentence);
      await new Promise((resolve) => setTimeout(resolve, ASK_AGAIN_MS));
    }
  }

  function stop() {
    wanted += 1;
    if (isPlaying) looking.stopLoop();
    mark(false);
    say("");
  }

  function mark(on) {
    isPlaying = on;
    button.setAttribute("aria-pressed", String(on));
  }

  function say(sentence) {
    if (words.textContent !== sentence) words.textContent = sentence;
  }

  return {
    stop,
    play,
    // Resting is no clear wish; whoever asked for less motion gets the loop from the button or the key only.
    rest: (card, index) => (still.matches ? undefined : play(card, index)),
    toggle: (card, index) => (isPlaying ? stop() : play(card, index)),
    askAhead: (card) => ask(card, 0, "?ahead=yes").catch(() => undefined),
  };
}
