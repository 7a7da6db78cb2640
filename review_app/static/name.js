// Tells the page the name that this browser knows, so that it is asked for once; a name from a form is kept here first.
export default function ({ parentElement, data, setStateValue }) {
  heard(data.said);
  tell();
  const told = known();
  const same = told.name === data.told.name && told.mark === data.told.mark;
  parentElement.querySelector('div').dataset.known = same;
  if (!same) setStateValue('told', told);
}
