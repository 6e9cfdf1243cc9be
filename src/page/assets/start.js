// Brings the sheet to life.

document.documentElement.classList.add("live");
for (const figure of document.querySelectorAll("figure.plot")) new PlotReader(figure);
for (const figure of document.querySelectorAll("figure.dials")) new DialReader(figure);
const answer = new Answer();
if (job.clips.length > 0) {
  const transport = new Transport();
  const listen = new Listen(transport);
  const trial = job.versions.length > 1 ? new Trial(transport, listen) : null;
  new Keys(transport, listen, trial, answer);
}
