// What every page that follows a watch does: a bar tells of rounds, and the page loads itself anew.

const LIVE = JSON.parse(document.getElementById("live-data").textContent);

/** Tell of a round; said : what the page itself has to say besides. */
function showNews(news, said) {
  let bar = document.getElementById("live");
  if (!bar) {
    bar = document.createElement("p");
    bar.id = "live";
    bar.setAttribute("role", "status");
    bar.append(document.createElement("b"), " ", document.createElement("span"));
    document.body.append(bar);
  }
  bar.dataset.state = news.state;
  bar.querySelector("b").textContent = news.title;
  bar.querySelector("span").textContent = [news.words, said].filter(Boolean).join(" ");
}

/** Listen for rounds; leave : what is done before the page loads itself anew. */
function follow(said, leave) {
  showNews(LIVE.news, said);
  const source = new EventSource("news");
  source.addEventListener("message", (event) => {
    const news = JSON.parse(event.data);
    if (news.state === "ended") source.close();
    if (news.page !== LIVE.page && news.state !== "ended") {
      source.close();
      leave();
      location.reload();
    } else showNews(news, said);
  });
  document.documentElement.dataset.live = String(LIVE.page);
}
