// Tells the page the name that this browser knows, so that it is asked for once; a name from a form is kept here first.
export default function ({ parentElement, data, setStateValue }) {
  heard(data.said);
  const told = { name: storage.get('desk:by') ?? '', mark: storage.get('desk:said') ?? '' };
  document.cookie = `desk-name=${encodeURIComponent(JSON.stringify(told))}; path=/; max-age=31536000; samesite=strict`;   // told at once the next time
  const known = told.name === data.told.name && told.mark === data.told.mark;
  parentElement.querySelector('div').dataset.known = known;
  if (!known) setStateValue('told', told);
}
