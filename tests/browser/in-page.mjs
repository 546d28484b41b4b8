// What is looked at within a page. The function runs in the browser and returns what is wrong, a line each.
export function problemsInPage() {
  const problems = [];
  const say = (what, element) => problems.push(`${what}: ${element ? `<${element.tagName.toLowerCase()}> ${(element.textContent ?? '').trim().slice(0, 60)}` : ''}`);

  if (!document.documentElement.lang) say('no language');
  if (!document.title) say('no title');
  if (document.documentElement.scrollWidth > window.innerWidth) say(`scrolls sideways, ${document.documentElement.scrollWidth} in ${window.innerWidth}`);

  let level = 0;
  const headings = [...document.querySelectorAll('h1, h2, h3, h4, h5, h6')];
  if (headings.filter(h => h.tagName === 'H1').length !== 1) say('not exactly one h1');
  for (const heading of headings) {
    const own = Number(heading.tagName[1]);
    if (own > level + 1) say(`heading of level ${own} after level ${level}`, heading);
    level = own;
  }

  const ids = [...document.querySelectorAll('[id]')].map(e => e.id);
  for (const id of new Set(ids.filter((id, i) => ids.indexOf(id) !== i))) say(`id twice: ${id}`);
  for (const reference of document.querySelectorAll('[aria-labelledby]')) {
    for (const id of reference.getAttribute('aria-labelledby').split(/\s+/)) if (!document.getElementById(id)) say(`labelled by what is not there: ${id}`, reference);
  }
  for (const link of document.querySelectorAll('a[href^="#"]')) if (!document.getElementById(link.getAttribute('href').slice(1))) say(`link to what is not there: ${link.getAttribute('href')}`, link);

  for (const table of document.querySelectorAll('table')) {
    if (!table.caption) say('table without caption', table);
    for (const head of table.querySelectorAll('th')) if (!head.scope) say('th without scope', head);
  }
  for (const image of document.querySelectorAll('img')) if (!image.hasAttribute('alt')) say('image without alt', image);
  for (const drawing of document.querySelectorAll('svg')) if (!drawing.querySelector(':scope > title') || !drawing.querySelector(':scope > desc')) say('drawing without title and desc', drawing);
  if (!document.querySelector('main')) say('no main');
  for (const element of document.querySelectorAll('[tabindex]')) if (element.tabIndex > 0) say('focus order set by hand', element);

  // Contrast by WCAG 2.2, 1.4.3: 4.5 to 1, and 3 to 1 for large text.
  const parse = color => {
    const numbers = color.match(/[\d.]+/g)?.map(Number) ?? [0, 0, 0, 0];
    const scale = color.startsWith('color(srgb') ? 255 : 1;
    return { r: numbers[0] * scale, g: numbers[1] * scale, b: numbers[2] * scale, a: numbers[3] ?? 1 };
  };
  const over = (top, below) => ({ r: top.r * top.a + below.r * (1 - top.a), g: top.g * top.a + below.g * (1 - top.a), b: top.b * top.a + below.b * (1 - top.a), a: 1 });
  const luminance = ({ r, g, b }) => {
    const [x, y, z] = [r, g, b].map(v => v / 255).map(v => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4));
    return 0.2126 * x + 0.7152 * y + 0.0722 * z;
  };
  const groundOf = element => {
    const layers = [];
    for (let e = element; e; e = e.parentElement) layers.push(parse(getComputedStyle(e).backgroundColor));
    return layers.reduceRight((below, layer) => over(layer, below), { r: 255, g: 255, b: 255, a: 1 });
  };
  // In a drawing text stands on what was drawn before it.
  const drawnUnder = text => {
    const box = text.getBoundingClientRect();
    const [x, y] = [box.x + box.width / 2, box.y + box.height / 2];
    let ground = groundOf(text.ownerSVGElement);
    for (const shape of text.ownerSVGElement.querySelectorAll('rect')) {
      if (!(shape.compareDocumentPosition(text) & Node.DOCUMENT_POSITION_FOLLOWING)) continue;
      const at = shape.getBoundingClientRect();
      const style = getComputedStyle(shape);
      if (x < at.left || x > at.right || y < at.top || y > at.bottom || !style.fill.startsWith('rgb')) continue;
      const fill = parse(style.fill);
      ground = over({ ...fill, a: fill.a * Number(style.fillOpacity) }, ground);
    }
    return ground;
  };
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  const seen = new Set();
  while (walker.nextNode()) {
    const element = walker.currentNode.parentElement;
    if (!walker.currentNode.data.trim() || seen.has(element) || element.closest('title, desc, style, script') || element.getClientRects().length === 0) continue;
    seen.add(element);
    const style = getComputedStyle(element);
    const drawn = element.ownerSVGElement;
    const ground = drawn ? drawnUnder(element) : groundOf(element);
    const ink = over(parse(drawn ? style.fill : style.color), ground);
    const [light, dark] = [luminance(ink), luminance(ground)].sort((a, b) => b - a);
    const contrast = (light + 0.05) / (dark + 0.05);
    const size = parseFloat(style.fontSize);
    const isLarge = !drawn && (size >= 24 || (size >= 18.66 && Number(style.fontWeight) >= 700));
    if (contrast < (isLarge ? 3 : 4.5)) say(`contrast ${contrast.toFixed(2)}`, element);
  }

  // Text of a drawing must not lie on other text, nor leave the drawing.
  for (const drawing of document.querySelectorAll('svg')) {
    if (drawing.getClientRects().length === 0) continue;
    const frame = drawing.getBoundingClientRect();
    const boxes = [...drawing.querySelectorAll('text')].map(text => ({ text, box: text.getBoundingClientRect() }));
    boxes.forEach(({ text, box }, i) => {
      if (box.left < frame.left - 0.5 || box.right > frame.right + 0.5 || box.bottom > frame.bottom + 0.5) say('text leaves the drawing', text);
      for (const other of boxes.slice(i + 1)) {
        const across = Math.min(box.right, other.box.right) - Math.max(box.left, other.box.left);
        const down = Math.min(box.bottom, other.box.bottom) - Math.max(box.top, other.box.top);
        if (across > 1 && down > 3) say(`text on text (${other.text.textContent})`, text);
      }
    });
  }
  return problems;
}
