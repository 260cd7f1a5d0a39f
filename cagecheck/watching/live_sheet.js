// A page without a model that follows a watch: it tells of rounds and loads itself anew.

const LIVE = JSON.parse(document.getElementById("live-data").textContent);

function showNews(news) {
  const bar = document.getElementById("live");
  bar.dataset.state = news.state;
  bar.querySelector("b").textContent = news.title;
  bar.querySelector("span").textContent = news.words;
}

const bar = document.createElement("p");
bar.id = "live";
bar.setAttribute("role", "status");
bar.append(document.createElement("b"), " ", document.createElement("span"));
document.body.append(bar);
showNews(LIVE.news);
const source = new EventSource("news");
source.addEventListener("message", (event) => {
  const news = JSON.parse(event.data);
  if (news.state === "ended") source.close();
  if (news.page !== LIVE.page && news.state !== "ended") location.reload();
  else showNews(news);
});
document.documentElement.dataset.live = String(LIVE.page);
