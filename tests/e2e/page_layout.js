// What a page shows, for tests: texts that stick out, are cut off or lie on each other, and texts too faint to be read.
(() => {
  const SLACK = 1.0; // px that boxes of text may touch by: they are a little larger than the ink
  const short = (text) => text.trim().replace(/\s+/g, " ").slice(0, 60);
  const shown = (element) => element.checkVisibility({ visibilityProperty: true, opacityProperty: true });

  // Every run of text that is shown: its element, the boxes of its lines, and the SVG it is in, if it is.
  const texts = () => {
    const found = [];
    const walker = document.createTreeWalker(document.documentElement, NodeFilter.SHOW_TEXT);
    for (let node = walker.nextNode(); node; node = walker.nextNode()) {
      const element = node.parentElement;
      if (!node.data.trim() || !element || element.closest("style, script, head, title, desc, metadata")) continue;
      if (!shown(element)) continue;
      const range = document.createRange();
      range.selectNodeContents(node);
      const svg = element.ownerSVGElement;
      const now = () =>
        (svg ? [element.getBoundingClientRect()] : [...range.getClientRects()])
          .filter((box) => box.width > 0 && box.height > 0);
      const boxes = now();
      if (boxes.length) found.push({ text: short(node.data), element, svg, boxes, now });
    }
    return found;
  };

  const within = (box, outer) =>
    box.left >= outer.left - SLACK && box.right <= outer.right + SLACK &&
    box.top >= outer.top - SLACK && box.bottom <= outer.bottom + SLACK;
  const overlap = (one, other) =>
    Math.min(one.right, other.right) - Math.max(one.left, other.left) > SLACK &&
    Math.min(one.bottom, other.bottom) - Math.max(one.top, other.top) > 2 * SLACK;

  const misplaced = () => {
    const said = [];
    const width = document.documentElement.clientWidth;
    if (document.scrollingElement && document.scrollingElement.scrollWidth > width + SLACK)
      said.push(`the page is ${document.scrollingElement.scrollWidth} px wide, the window ${width}`);
    const found = texts();
    for (const { text, element, svg, boxes } of found) {
      for (const box of boxes) {
        if (svg && !within(box, svg.getBoundingClientRect())) said.push(`sticks out of its drawing: ${text}`);
        let rolls = false;
        for (let outer = element; outer && !svg; outer = outer.parentElement) {
          const style = getComputedStyle(outer);
          if (style.overflowX === "auto" || style.overflowX === "scroll") {
            rolls = true;
            const edge = outer.getBoundingClientRect();
            const start = edge.left - outer.scrollLeft;
            if (box.left < start - SLACK || box.right > start + outer.scrollWidth + SLACK)
              said.push(`out of reach in a box that scrolls: ${text}`);
            break;
          }
          if (style.overflowX !== "visible" && outer !== document.documentElement && outer !== document.body &&
            !within(box, outer.getBoundingClientRect())) said.push(`cut off: ${text}`);
        }
        if (!rolls && (box.left < -SLACK || box.right > width + SLACK)) said.push(`sticks out of the page: ${text}`);
      }
    }
    // Each text against the ones before it, from the top of the page down.
    const lines = found.flatMap((one) => one.boxes.map((box) => ({ box, one }))).sort((a, b) => a.box.top - b.box.top);
    lines.forEach(({ box, one }, at) => {
      for (let next = at + 1; next < lines.length && lines[next].box.top < box.bottom; next += 1)
        if (lines[next].one !== one && overlap(box, lines[next].box))
          said.push(`lies on each other: ${one.text} / ${lines[next].one.text}`);
    });
    return said;
  };

  const channels = (colour) => {
    const numbers = (colour.match(/[\d.]+/g) || []).map(Number);
    return { rgb: numbers.slice(0, 3), alpha: numbers.length > 3 ? numbers[3] : 1 };
  };

  // What really lies behind the middle of a text: the first thing painted there that is not the text itself. Null: the
  // text can't be got into sight.
  const behind = (element, box) => {
    const x = (box.left + box.right) / 2, y = (box.top + box.bottom) / 2;
    const stack = document.elementsFromPoint(x, y);
    const at = stack.indexOf(element);
    if (at < 0) return null;
    for (const one of stack.slice(at)) {
      const style = getComputedStyle(one);
      if (one instanceof SVGGeometryElement) {
        const place = new DOMPoint(x, y).matrixTransform(one.getScreenCTM().inverse());
        const colour = style.fill !== "none" && one.isPointInFill(place) ? style.fill : style.stroke;
        if (colour !== "none") return channels(colour).rgb;
      } else if (!one.ownerSVGElement && channels(style.backgroundColor).alpha > 0)
        return channels(style.backgroundColor).rgb;
    }
    return [255, 255, 255];
  };

  // Each text with its colour, what is behind it, its size in px and whether it is bold. The window has to be as high as
  // the page; boxes that scroll are scrolled.
  const colours = () =>
    texts().map(({ text, element, svg, now }) => {
      const style = getComputedStyle(element);
      const colour = channels(svg ? style.fill : style.color);
      let back = behind(element, now()[0]);
      if (back === null) {
        element.scrollIntoView({ block: "nearest", inline: "center" });
        back = behind(element, now()[0]);
        for (let outer = element; outer; outer = outer.parentElement) outer.scrollLeft = 0;
      }
      const bold = Number(style.fontWeight) >= 700;
      return { text, colour: colour.rgb, alpha: colour.alpha, behind: back, px: parseFloat(style.fontSize), bold };
    });

  window.seen = { misplaced, colours };
})();
