// What a person would see as broken: wider than the window, words cut off, words or controls lying on each other.
const faults = [];
const say = (what, node) => faults.push(what + ': ' + (node.outerHTML || node.data || '').trim().slice(0, 90));
const width = document.documentElement.clientWidth;
if (document.documentElement.scrollWidth > width) {
  faults.push('the page is ' + (document.documentElement.scrollWidth - width) + ' px wider than the window');
}
const aside = e => e.closest('.skip, .hidden, nav.main');  // read aloud only, or fixed over the rest on purpose
const shown = e => e.checkVisibility({checkVisibilityCSS: true});
const boxes = [];
const words = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
while (words.nextNode()) {
  const node = words.currentNode, parent = node.parentElement;
  if (!node.data.trim() || !shown(parent) || aside(parent) || parent.closest('select, datalist, pattern')) continue;
  const range = document.createRange();
  range.selectNodeContents(node);
  for (const r of range.getClientRects()) {
    if (r.width < 1) continue;
    boxes.push({node: parent, left: r.left, right: r.right, top: r.top + 2, bottom: r.bottom - 2});
    if (!parent.closest('.scroll') && (r.left < -0.5 || r.right > width + 0.5)) say('outside the window', parent);
  }
}
for (const e of document.querySelectorAll('input:not([type=hidden]), select, textarea, button, a.button, summary')) {
  if (!shown(e) || aside(e)) continue;
  const r = e.getBoundingClientRect();
  boxes.push({node: e, left: r.left, right: r.right, top: r.top, bottom: r.bottom});
  if (r.left < -0.5 || r.right > width + 0.5) say('outside the window', e);
}
for (const e of document.querySelectorAll('body *')) {
  if (!shown(e) || aside(e) || e.closest('svg') || e.matches('input, select, .scroll')) continue;
  const style = getComputedStyle(e);
  if (style.overflowX !== 'visible' && e.scrollWidth > e.clientWidth + 1) say('cut off', e);
  if (style.overflowY !== 'visible' && e.scrollHeight > e.clientHeight + 1) say('cut off', e);
}
for (const drawing of document.querySelectorAll('svg.chart')) {
  const frame = drawing.getBoundingClientRect();
  for (const e of drawing.querySelectorAll('text')) {
    const r = e.getBoundingClientRect();
    if (r.left < frame.left - 0.5 || r.right > frame.right + 0.5 || r.bottom > frame.bottom + 0.5) say('outside its chart', e);
  }
}
for (let i = 0; i < boxes.length; i++) {
  for (let j = i + 1; j < boxes.length; j++) {
    const a = boxes[i], b = boxes[j];
    if (a.node.contains(b.node) || b.node.contains(a.node)) continue;
    const across = Math.min(a.right, b.right) - Math.max(a.left, b.left);
    const down = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
    if (across > 1 && down > 1) say('lies on “' + b.node.textContent.trim().slice(0, 30) + '”', a.node);
  }
}
return [...new Set(faults)];
