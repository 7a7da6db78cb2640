// Tells the page the name that this browser knows, so that it is asked for once; a name from a form is kept here first. One given on a
// desk, or in another tab, is told at once: the next form is then drawn with it.
export default function ({ parentElement, data, setStateValue }) {
  const mark = parentElement.querySelector('div');
  const learn = () => {
    const told = known();
    const same = told.name === data.told.name && told.mark === data.told.mark;
    mark.dataset.known = same;
    if (!same) setStateValue('told', told);
  };
  heard(data.said);
  tell();
  learn();
  mark.listens?.abort();
  mark.listens = new AbortController();
  addEventListener('desk-named', learn, { signal: mark.listens.signal });
  addEventListener('storage', (e) => { if (e.key === 'desk:by') learn(); }, { signal: mark.listens.signal });
  return () => mark.listens.abort();
}
