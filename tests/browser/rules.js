/*
 * Rules that any page for people should keep, as far as a browser can tell. The value of this
 * file is an object of functions; each gives a list of what breaks the rule, in words.
 */
(() => {
  const all = (selector, root = document) => Array.from(root.querySelectorAll(selector));
  const tell = (element) => element.outerHTML.replace(/data:[^"]{40}[^"]*/g, "data:…").slice(0, 160);
  const unseen = (element) => element.closest("[hidden], [aria-hidden=true], template, script, style, noscript");
  const words = (element) => (element ? element.textContent.replace(/\s+/g, " ").trim() : "");
  const idRefs = (element, name) => (element.getAttribute(name) || "").split(/\s+/).filter(Boolean);

  /** The name under which a screen reader tells of an element. */
  const named = (element) => {
    const by = idRefs(element, "aria-labelledby").map((id) => words(document.getElementById(id))).join(" ").trim();
    if (by) return by;
    const label = (element.getAttribute("aria-label") || "").trim();
    if (label) return label;
    if (element.labels && element.labels.length) return words(element.labels[0]);
    if (element.tagName === "IMG") return element.alt.trim();
    if (element.tagName === "TABLE") return words(element.caption);
    if (element.matches("a, button, summary, [role=button]")) {
      return words(element) || all("img", element).map((image) => image.alt).join(" ").trim();
    }
    return "";
  };

  // ---- contrast, by the formula of WCAG 2.2, section 1.4.3

  const rgba = (colour) => {
    const found = colour.match(/^rgba?\(([\d.]+), ([\d.]+), ([\d.]+)(?:, ([\d.]+))?\)$/);
    if (!found) throw new Error(`a colour in a form that is not known here: ${colour}`);
    return [Number(found[1]), Number(found[2]), Number(found[3]), found[4] === undefined ? 1 : Number(found[4])];
  };
  const over = (top, below) => {
    const a = top[3] + below[3] * (1 - top[3]);
    if (!a) return [0, 0, 0, 0];
    return [...[0, 1, 2].map((i) => (top[i] * top[3] + below[i] * below[3] * (1 - top[3])) / a), a];
  };
  const luminance = (colour) => {
    const [r, g, b] = colour.slice(0, 3).map((value) => {
      const share = value / 255;
      return share <= 0.04045 ? share / 12.92 : ((share + 0.055) / 1.055) ** 2.4;
    });
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const contrast = (a, b) => {
    const [low, high] = [luminance(a), luminance(b)].sort((x, y) => x - y);
    return (high + 0.05) / (low + 0.05);
  };
  const ground = (element) => {
    let colour = [0, 0, 0, 0];
    for (let at = element; at && colour[3] < 1; at = at.parentElement) {
      colour = over(colour, rgba(getComputedStyle(at).backgroundColor));
    }
    const dark = matchMedia("(prefers-color-scheme: dark)").matches;
    return over(colour, dark ? [18, 18, 18, 1] : [255, 255, 255, 1]);
  };
  const shown = (element) => element.checkVisibility({ opacityProperty: true, visibilityProperty: true, contentVisibilityAuto: true });
  const faded = (element) => {
    let share = 1;
    for (let at = element; at; at = at.parentElement) share *= Number(getComputedStyle(at).opacity);
    return share;
  };

  return {
    "the page tells its language and title": () =>
      [!/^[a-z]{2}/.test(document.documentElement.lang) && "no language", !document.title.trim() && "no title"].filter(Boolean),

    "no id stands twice": () => {
      const ids = all("[id]").map((element) => element.id);
      return ids.filter((id, i) => !id || ids.indexOf(id) !== i);
    },

    "what is referred to is there": () => {
      const lost = all("[aria-labelledby], [aria-describedby], [for]").filter((element) =>
        ["aria-labelledby", "aria-describedby", "for"].some((name) => idRefs(element, name).some((id) => !document.getElementById(id))));
      const links = all("a[href^='#']").filter((link) => !document.getElementById(decodeURIComponent(link.hash.slice(1))));
      return [...lost, ...links].map(tell);
    },

    "every picture has words": () => [
      ...all("img").filter((image) => image.alt.trim().length < 20),
      ...all("svg").filter((drawing) => !drawing.parentElement.closest("svg") && !unseen(drawing) && !(named(drawing) && drawing.getAttribute("role"))),
      ...all("canvas").filter((canvas) => !named(canvas)),
    ].map(tell),

    "pictures that differ have words that differ": () => {
      const seen = new Map();
      return all("img").filter((image) => {
        const before = seen.get(image.alt);
        seen.set(image.alt, image.src);
        return before !== undefined && before !== image.src;
      }).map(tell);
    },

    "headings make an outline": () => {
      const found = [];
      const headings = all("h1, h2, h3, h4, h5, h6").filter((heading) => !unseen(heading));
      if (headings.filter((heading) => heading.tagName === "H1").length !== 1) found.push("not one h1");
      let before = 0;
      for (const heading of headings) {
        const level = Number(heading.tagName[1]);
        if (!words(heading)) found.push(`empty: ${tell(heading)}`);
        if (level > before + 1) found.push(`from h${before} to ${tell(heading)}`);
        before = level;
      }
      return found;
    },

    "landmarks hold all words": () => {
      const found = [];
      if (all("main").length !== 1) found.push("not one main");
      if (all("body > header").length !== 1) found.push("not one header");
      for (const part of all("nav, section, [role=region], [role=group], fieldset, article")) {
        if (unseen(part)) continue;
        if (!named(part) && !part.querySelector(":scope > legend")) found.push(`no name: ${tell(part)}`);
      }
      const names = all("nav, main section").map(named);
      found.push(...names.filter((name, i) => name && names.indexOf(name) !== i).map((name) => `twice: ${name}`));
      for (const child of document.body.children) {
        if (child.matches("header, nav, main, footer, script, style, a.skip")) continue;
        found.push(`beside the landmarks: ${tell(child)}`);
      }
      return found;
    },

    "tables tell what they hold": () => {
      const found = [];
      for (const table of all("table")) {
        if (!named(table)) found.push(`no caption: ${tell(table)}`);
        if (!table.querySelector("thead th")) found.push(`no head: ${tell(table)}`);
        const width = table.rows[0].cells.length;
        if (Array.from(table.rows).some((row) => row.cells.length !== width)) found.push(`ragged: ${tell(table)}`);
      }
      const names = all("table").map(named);
      found.push(...names.filter((name, i) => names.indexOf(name) !== i).map((name) => `twice: ${name}`));
      found.push(...all("th").filter((head) => !["col", "row"].includes(head.scope) || !words(head)).map(tell));
      return found;
    },

    "links and controls have names": () => [
      ...all("a").filter((link) => !link.getAttribute("href")),
      ...all("a, button, summary, input, select, textarea, [role=button], [tabindex='0']").filter((element) => !unseen(element) && !named(element)),
    ].map(tell),

    "what folds has a name": () =>
      all("details").filter((fold) => !fold.firstElementChild || fold.firstElementChild.tagName !== "SUMMARY" || !words(fold.firstElementChild)).map(tell),

    "nothing jumps the order of the keyboard": () => all("[tabindex]").filter((element) => element.tabIndex > 0).map(tell),

    "what is to be touched is large enough": () =>
      all("button, select, summary, input, label:has(input)").filter((element) => {
        if (!shown(element) || (element.matches("input") && element.closest("label"))) return false;
        const { width, height } = element.getBoundingClientRect();
        return width < 24 || height < 24;
      }).map(tell),

    "text stands out from its ground": () => {
      const found = [];
      const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
      const grounds = new Map();
      for (let node = walker.nextNode(); node; node = walker.nextNode()) {
        const element = node.parentElement;
        if (!node.data.trim() || element.closest("script, style, noscript, option, .skip, .unseen, .viewer-hidden")) continue;
        if (!grounds.has(element)) {
          let ratio = Infinity;
          if (shown(element)) {
            const style = getComputedStyle(element);
            const below = ground(element);
            const ink = rgba(element.namespaceURI.endsWith("svg") ? style.fill : style.color);
            ink[3] *= faded(element);
            ratio = contrast(over(ink, below), below);
          }
          grounds.set(element, ratio);
          if (ratio < 4.5) found.push(`${ratio.toFixed(2)}: ${tell(element)}`);
        }
      }
      for (const select of all("select").filter(shown)) {
        const ratio = contrast(rgba(getComputedStyle(select).color), ground(select));
        if (ratio < 4.5) found.push(`${ratio.toFixed(2)}: ${tell(select)}`);
      }
      return found;
    },

    "nothing sticks out sideways": () => {
      const { scrollWidth } = document.scrollingElement;
      if (scrollWidth <= innerWidth) return [];
      const out = all("body *").filter((element) => element.getBoundingClientRect().right > innerWidth + 0.5 && !element.parentElement.closest(".wide"));
      return [`${scrollWidth} px in a window of ${innerWidth}`, ...out.slice(0, 5).map(tell)];
    },
  };
})()
