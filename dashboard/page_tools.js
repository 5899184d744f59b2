/* What pages do in the browser beside Streamlit: one Back is one page, the menu of a phone closes,
   figures fit the paper and are saved as pictures, tables are sorted and searched. All of it is made
   on this machine. */
(() => {
  if (window.blackmouthTools) return;
  window.blackmouthTools = true;

  /* One Back returns one page: Streamlit adds to the history each time a link is written; here the
     choices of a page take the place of those before. */
  const addPage = history.pushState.bind(history);
  history.pushState = (state, title, url) => {
    const isOther = new URL(url ?? "", location.href).pathname !== location.pathname;
    return isOther ? addPage(state, title, url) : history.replaceState(state, title, url);
  };
  /* The first link is written here, for it may come before this script; or it leads elsewhere. */
  const followLink = (mark) => {
    mark.classList.add("bm-followed");
    const { page, query } = mark.dataset;
    if (page) return location.replace(`${page}?${query}`);
    const link = query ? `${location.pathname}?${query}` : location.pathname;
    history.replaceState(history.state, "", link);
  };

  /* A link of ours opens its page as the menu does: Streamlit follows the history. */
  addEventListener("click", (event) => {
    const link = event.target.closest?.("a.bm-go");
    if (!link || event.button || event.ctrlKey || event.metaKey || event.shiftKey) return;
    event.preventDefault();
    addPage({}, "", link.href);
    dispatchEvent(new PopStateEvent("popstate"));
    document.querySelector("[data-testid=stMain]")?.scrollTo(0, 0);
  });

  /* A system that turns light or dark while a page is open: the server draws it anew in the new
     colours. Paper is light for a moment only. */
  const night = matchMedia("(prefers-color-scheme: dark)");
  let isNight = night.matches;
  night.addEventListener("change", () => setTimeout(() => {
    if (night.matches === isNight || matchMedia("print").matches) return;
    isNight = night.matches;
    dispatchEvent(new PopStateEvent("popstate"));
  }, 500));

  /* Words in the reader's language, where the page gives some: by their English. */
  let said = {};
  const say = (text, value = "") => (said[text] ?? text).replace("{kind}", value);
  const takeWords = () => {
    const mark = document.querySelector(".bm-words[data-words]");
    const language = mark?.dataset.lang ?? "en";
    if (document.documentElement.lang === language) return;
    document.documentElement.lang = language;
    said = mark ? JSON.parse(mark.dataset.words) : {};
    document.querySelectorAll("[data-say]").forEach(nameTool);
  };
  const nameTool = (tool) => {
    tool.setAttribute("aria-label", say(tool.dataset.say, tool.dataset.kind));
    if (tool.placeholder) tool.placeholder = say(tool.dataset.say);
  };

  /* A date that is left incomplete goes back to the one before: that is said beside it. */
  const DATE = "[data-testid=stDateInput]";
  const sayDate = (field) => {
    const parts = [...field.querySelectorAll("[role=spinbutton]")];
    const isEmpty = parts.every((part) => part.hasAttribute("data-placeholder"));
    const shown = field.querySelector("[role=group]")?.textContent ?? "";
    const note = document.createElement("p");
    note.className = "bm-care bm-date";
    note.setAttribute("role", "alert");
    const fill = "Fill in every part of it, or empty every part.";
    const left = isEmpty ? "The date was left incomplete and is not taken: the field is empty."
      : "The date was left incomplete and is not taken: {kind} still counts.";
    note.textContent = `${say(left, shown)} ${say(fill)}`;
    field.append(note);
  };
  document.addEventListener("focusin", (event) =>
    event.target.closest?.(DATE)?.querySelectorAll(".bm-date").forEach((one) => one.remove()), true);
  document.addEventListener("focusout", (event) => {
    const field = event.target.closest?.(DATE);
    if (!field || field.contains(event.relatedTarget)) return;
    const lacking = field.querySelectorAll("[role=spinbutton][data-placeholder]").length;
    const isCut = lacking && lacking < field.querySelectorAll("[role=spinbutton]").length;
    if (isCut) setTimeout(() => field.isConnected && sayDate(field), 300);
  }, true);

  /* The menu of a phone is a drawer; it closes on a choice. */
  const DRAWER = 768;
  const CLOSE = "[data-testid=stSidebarCollapseButton] button";
  addEventListener("click", (event) => {
    const isChoice = event.target.closest?.("[data-testid=stSidebarNavLink]");
    if (isChoice && innerWidth <= DRAWER) document.querySelector(CLOSE)?.click();
  });
  const NAMES = { "[data-testid=stExpandSidebarButton]": "Menu", [CLOSE]: "Close the menu" };
  const nameMenu = () => {
    for (const [button, name] of Object.entries(NAMES)) {
      const unnamed = document.querySelector(`${button}:not([aria-label="${say(name)}"])`);
      if (!unnamed) continue;
      unnamed.dataset.say = name;
      nameTool(unnamed);
    }
  };

  const PLOT = ".js-plotly-plot";
  const SVG = "http://www.w3.org/2000/svg";
  const layers = (plot) => [...plot.querySelectorAll("svg.main-svg")];
  const sizeOf = (plot) => {
    const [width, height] = ["width", "height"].map((name) =>
      parseFloat(layers(plot)[0]?.getAttribute(name)));
    return width && height ? { width, height } : null;
  };

  const LEAST = 9.8; // the least height of letters on paper, in CSS pixels: 7 points and some
  /* Letters that would be smaller on paper are larger there; labels of an axis that then meet stand
     at every second place. */
  const enlarge = (plot, least) => {
    const texts = layers(plot).flatMap((svg) => [...svg.querySelectorAll("text")]);
    const frame = plot.getBoundingClientRect();
    const middle = frame.top + frame.height / 2;
    for (const text of texts) {
      if (parseFloat(getComputedStyle(text).fontSize) >= least) continue;
      const before = text.getBoundingClientRect();
      text.dataset.size = text.style.fontSize;
      text.style.fontSize = `${least}px`;
      // Lines grow downward: those beside an axis keep their middle, those over it their foot.
      const held = text.querySelector("tspan.line + tspan.line")
        && { ytick: 0.5, xtick: before.top < middle ? 1 : 0 }[text.parentElement.className.baseVal];
      if (held) text.style.translate = `0 ${held * (before.height - text.getBoundingClientRect().height)}px`;
    }
    const labels = {};
    plot.querySelectorAll(".xtick > text").forEach((text) => {
      (labels[text.parentElement.className.baseVal] ??= []).push(text.getBoundingClientRect());
    });
    const meet = (boxes) => boxes.some((box, at) => at && box.left < boxes[at - 1].right + 6);
    for (const [name, boxes] of Object.entries(labels)) {
      if (!meet(boxes)) continue;
      plot.querySelectorAll(`[class="${name}"] > text`).forEach((text, at) =>
        text.classList.toggle("bm-crowded", at % 2 === 1));
    }
    return texts;
  };
  /* What a figure takes with its letters: those that grew may stand beyond its edge. */
  const spanOf = (plot, texts, { width, height }) => {
    const frame = layers(plot)[0].getBoundingClientRect();
    const scale = width / frame.width;
    let [left, top, right, bottom] = [0, 0, width, height];
    for (const text of texts) {
      const box = text.getBoundingClientRect();
      if (!text.textContent || !box.width) continue;
      left = Math.min(left, (box.left - frame.left) * scale);
      top = Math.min(top, (box.top - frame.top) * scale);
      right = Math.max(right, (box.right - frame.left) * scale);
      bottom = Math.max(bottom, (box.bottom - frame.top) * scale);
    }
    return { left, top, width: right - left, height: bottom - top };
  };
  /* Print: a figure scales with its column instead of keeping the width of the screen. */
  const fit = (plot, by) => {
    const size = sizeOf(plot);
    if (!size) return;
    const { left, top, width, height } = spanOf(plot, enlarge(plot, LEAST / by), size);
    layers(plot).forEach((svg) => svg.setAttribute("viewBox", `${left} ${top} ${width} ${height}`));
    plot.style.setProperty("--bm-ratio", `${width} / ${height}`);
    plot.style.setProperty("--bm-width", `${1.2 * width}px`);
    plot.classList.add("bm-fit");
  };
  const release = (plot) => {
    layers(plot).forEach((svg) => svg.removeAttribute("viewBox"));
    plot.querySelectorAll("text[data-size]").forEach((text) => {
      text.style.fontSize = text.dataset.size;
      text.style.translate = "";
      delete text.dataset.size;
    });
    plot.querySelectorAll(".bm-crowded").forEach((one) => one.classList.remove("bm-crowded"));
    plot.classList.remove("bm-fit");
  };
  const PAPER = 680; // inside the margins of a sheet of A4, in CSS pixels
  addEventListener("beforeprint", () => {
    document.querySelectorAll(".bm-signs:not([open])").forEach((one) => {
      one.open = true;
      one.classList.add("bm-opened");
    });
    // Figures shrink with their column; a grid is painted as wide as the page, which paper is not.
    const wide = document.querySelector(".stMainBlockContainer > .stVerticalBlock");
    const by = Math.min(1, PAPER / (wide ? wide.clientWidth : PAPER));
    document.querySelectorAll(PLOT).forEach((plot) => fit(plot, by));
    document.documentElement.style.setProperty("--bm-grid", by);
  });
  addEventListener("afterprint", () => {
    document.querySelectorAll(".bm-opened").forEach((one) => {
      one.open = false;
      one.classList.remove("bm-opened");
    });
    document.querySelectorAll(PLOT).forEach(release);
  });

  /* Pictures: the layers of a figure as one SVG file, or painted from it as PNG. */
  const element = (name, attributes, text = "") => {
    const made = document.createElementNS(SVG, name);
    for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
    made.textContent = text;
    return made;
  };
  const withStyles = (svg) => {
    // What a style sheet of the page gives a text goes into the file with it.
    const layer = svg.cloneNode(true);
    const texts = [...svg.querySelectorAll("text")];
    layer.querySelectorAll("text").forEach((text, at) => {
      const style = getComputedStyle(texts[at]);
      for (const name of ["font-family", "font-size", "font-weight", "fill"])
        text.style.setProperty(name, style.getPropertyValue(name));
    });
    layer.querySelectorAll(".hoverlayer, .draglayer, .menulayer").forEach((one) => one.remove());
    return layer;
  };
  /* Away from its page a picture has no font of it, and a wider one cuts its labels: the letters
     go into the file. They come from where the page has them. */
  const dataOf = async (url) => {
    const file = await (await fetch(url)).blob();
    return new Promise((done) => {
      const reader = new FileReader();
      reader.onload = () => done(reader.result);
      reader.readAsDataURL(file);
    });
  };
  const faces = () => [...document.styleSheets]
    .flatMap((sheet) => { try { return [...sheet.cssRules]; } catch { return []; } })
    .filter((rule) => rule instanceof CSSFontFaceRule
      && /^.?Source Sans.?$/.test(rule.style.getPropertyValue("font-family"))
      && rule.style.getPropertyValue("font-style") !== "italic");
  const embedded = async (face) => {
    const source = /url\(["']?([^"')]+)/.exec(face.style.getPropertyValue("src"))?.[1];
    const url = source && new URL(source, face.parentStyleSheet.href ?? document.baseURI);
    if (url?.origin !== location.origin) return "";
    const weight = face.style.getPropertyValue("font-weight") || "400";
    return `@font-face {font-family: "Source Sans"; font-weight: ${weight}; `
      + `src: url(${await dataOf(url)});}`;
  };
  let letters = null;
  const fonts = () => letters ??= Promise.all(faces().map(embedded)).then((all) => all.join("\n"));

  const LINE = 16; // of the title, in pixels, and about how wide a letter of it is
  const LETTER = 6.5;
  /* The title that stands over a figure, or else its description up to the first comma: away from
     its page a picture must say what it shows. */
  const titleOf = (plot, said) => {
    const above = plot.closest("[data-testid=stElementContainer]")?.previousElementSibling;
    const title = above?.querySelector("p > strong:only-child");
    return title?.textContent.trim() || said.split(/[,;.:](?:\s|$)/)[0];
  };
  const linesOf = (title, width) => {
    const lines = [""];
    for (const word of title.split(/\s+/)) {
      if ((lines.at(-1).length + word.length) * LETTER > width - LINE) lines.push("");
      lines.push(`${lines.pop()} ${word}`.trim());
    }
    return lines.filter(Boolean);
  };
  const picture = async (plot, title) => {
    const { width, height: below } = sizeOf(plot);
    const said = plot.closest("[aria-label]")?.getAttribute("aria-label") ?? "";
    const lines = linesOf(titleOf(plot, said), width);
    const above = lines.length * LINE + (lines.length ? LINE / 2 : 0);
    const height = below + above;
    const whole = element("svg", {
      xmlns: SVG, width, height, viewBox: `0 0 ${width} ${height}`, role: "img" });
    const app = getComputedStyle(document.querySelector(".stApp"));
    whole.append(element("title", {}, title), element("desc", {}, said),
      element("style", {}, await fonts()),
      element("rect", { width: "100%", height: "100%", fill: app.backgroundColor }));
    lines.forEach((words, at) => whole.append(element("text", {
      x: LINE / 2, y: (at + 1) * LINE, fill: app.color, "font-size": 12, "font-weight": 600,
      "font-family": app.fontFamily }, words)));
    const figure = element("g", { transform: `translate(0 ${above})` });
    for (const svg of layers(plot)) figure.append(...withStyles(svg).childNodes);
    whole.append(figure);
    return { text: new XMLSerializer().serializeToString(whole), width, height };
  };
  const save = (blob, name) => {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(blob);
    link.download = name;
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 10000);
  };
  const saveAs = {
    SVG: async (plot, name) =>
      save(new Blob([(await picture(plot, name)).text], { type: "image/svg+xml" }), `${name}.svg`),
    PNG: async (plot, name) => {
      const { text, width, height } = await picture(plot, name);
      const image = new Image();
      image.onload = () => {
        const canvas = document.createElement("canvas");
        [canvas.width, canvas.height] = [2 * width, 2 * height];
        canvas.getContext("2d").drawImage(image, 0, 0, canvas.width, canvas.height);
        canvas.toBlob((blob) => save(blob, `${name}.png`), "image/png");
      };
      image.src = `data:image/svg+xml;charset=utf-8,${encodeURIComponent(text)}`;
    },
  };
  /* Data: the table that a figure has with it, or else the points that the pointer names. */
  const tableOf = (plot) => {
    const kept = plot.layout?.meta && JSON.parse(plot.layout.meta);
    if (kept) return [kept.columns, ...kept.lines];
    const named = (axis, at) => {
      const place = axis?.tickvals?.indexOf(at) ?? -1;
      return place < 0 ? at : String(axis.ticktext[place]).replace(/\u003c[^>]+>/g, " ");
    };
    const lines = (plot._fullData ?? []).filter((one) => one.hoverinfo !== "skip").flatMap((one) =>
      [...(one.x ?? [])].map((x, at) => [
        one.name, named(plot.layout.xaxis, x), named(plot.layout.yaxis, one.y?.[at]),
        String((Array.isArray(one.text) ? one.text[at] : one.hovertext?.[at]) ?? "")
          .replace(/\u003cbr>/g, "; ").replace(/\u003c[^>]+>/g, "")]));
    return [["series", "x", "y", "words"], ...lines];
  };
  // A text that a spreadsheet would run gets an apostrophe, by the rule of analytics/csv_text.py.
  const NUMBER = /^(?:[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]+)?)$/;
  const RUN = /^(?:'*([ \u00a0]*[=+\-@\uff1d\uff0b\uff0d\uff20]|[\t\r\n]))/;
  const cellOf = (value) => {
    const written = String(value ?? "");
    const isRun = typeof value === "string" && RUN.test(written) && !NUMBER.test(written);
    const words = isRun ? `'${written}` : written;
    return /[",\r\n]/.test(words) ? `"${words.replaceAll('"', '""')}"` : words;
  };
  saveAs.CSV = async (plot, name) => save(new Blob(
    [tableOf(plot).map((line) => line.map(cellOf).join(",")).join("\n") + "\n"],
    { type: "text/csv" }), `${name}.csv`);
  const offerPictures = (plot) => {
    const key = [...(plot.closest("[class*=st-key-]")?.classList ?? [])]
      .find((name) => name.startsWith("st-key-"))?.slice(7) ?? "figure";
    const row = document.createElement("div");
    row.className = "bm-pictures";
    for (const kind of Object.keys(saveAs)) {
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = kind;
      button.dataset.say = kind === "CSV" ? "Save the data of this figure as CSV"
        : "Save this figure as {kind}";
      button.dataset.kind = kind;
      nameTool(button);
      button.addEventListener("click", () => sizeOf(plot) && saveAs[kind](plot, key));
      row.append(button);
    }
    plot.parentElement.append(row);
  };

  /* Tables: a click on a head sorts, words in the field above leave the rows that hold them. */
  const LONG = 12;
  const MONTH = "(?\u003cmonth>Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec)";
  const DAY_FIRST = new RegExp(`^(?:[A-Z][a-z]{2} )?(?\u003cday>\\d{1,2}) ${MONTH}\\b(?: (?\u003cyear>\\d{4}))?`);
  const MONTH_FIRST = new RegExp(`^(?:[A-Z][a-z]{2} )?${MONTH} (?\u003cday>\\d{1,2})\\b(?:, (?\u003cyear>\\d{4}))?`);
  const valueOf = (row, at) => {
    const text = (row.cells[at]?.firstChild?.textContent ?? "").trim() ||
      (row.cells[at]?.textContent ?? "").trim();
    if (/^\d{4}-W\d\d/.test(text)) return text.toLowerCase();
    if (/^\d{4}-\d\d-\d\d/.test(text)) return Date.parse(text.slice(0, 10));
    const { day, month, year } = (text.match(DAY_FIRST) ?? text.match(MONTH_FIRST))?.groups ?? {};
    const isLate = /Jul|Aug|Sep|Oct|Nov|Dec/.test(month); // a season passes the turn of the year
    const date = Date.parse(`${day} ${month} ${year ?? (isLate ? 1999 : 2000)} UTC`);
    if (month && !Number.isNaN(date)) return date;
    const [, bound] = text.match(/^(under|over) \d/) ?? [];
    const digits = bound ? text.slice(bound.length) : text;
    const number = parseFloat(digits.replace(/[,\s]/g, "").replace("\u2212", "-"));
    if (Number.isNaN(number)) return text.toLowerCase();
    return number + ({ under: -1e-6, over: 1e-6 }[bound] ?? 0);
  };
  const compare = (one, other) => {
    if (typeof one === typeof other) return one < other ? -1 : Number(one > other);
    return typeof one === "number" ? -1 : 1; // words stand after numbers
  };
  const sort = (table, head) => {
    const up = head.getAttribute("aria-sort") !== "ascending";
    table.querySelectorAll("thead th").forEach((one) => one.removeAttribute("aria-sort"));
    head.setAttribute("aria-sort", up ? "ascending" : "descending");
    for (const body of table.tBodies) {
      const rows = [...body.rows].filter((row) => !row.classList.contains("bm-all"));
      rows.sort((one, other) =>
        (up ? 1 : -1) * compare(valueOf(one, head.cellIndex), valueOf(other, head.cellIndex)));
      body.append(...rows);
    }
  };
  const offerSorting = (table) => {
    if (table.tBodies[0]?.rows.length < 3 || table.querySelector(".bm-group")) return;
    table.querySelectorAll("thead th").forEach((head) => {
      if (!head.textContent.trim()) return;
      const button = document.createElement("button");
      button.type = "button";
      button.className = "bm-sort";
      button.append(...head.childNodes);
      button.addEventListener("click", () => sort(table, head));
      head.append(button);
    });
  };
  const search = (table, wanted) => {
    let group = null;
    for (const row of table.querySelectorAll("tbody tr")) {
      const isGroup = row.classList.contains("bm-group");
      if (isGroup) group = row;
      const isFound = !isGroup && row.textContent.toLowerCase().includes(wanted);
      row.hidden = Boolean(wanted) && !isFound;
      if (isFound && group) group.hidden = false;
    }
  };
  const offerSearch = (table) => {
    if (table.querySelectorAll("tbody tr").length <= LONG) return;
    const field = document.createElement("input");
    field.type = "search";
    field.className = "bm-search";
    field.placeholder = "Find in the table";
    field.dataset.say = "Find in the table";
    nameTool(field);
    field.addEventListener("input", () => search(table, field.value.trim().toLowerCase()));
    table.before(field);
  };

  /* A table without a caption is named by the heading before it, for those who hear the page. */
  const nameTable = (table) => {
    const heads = [...document.querySelectorAll(".stMain :is(h1, h2, h3, h4, summary)")];
    const above = heads.filter((head) =>
      head.compareDocumentPosition(table) & Node.DOCUMENT_POSITION_FOLLOWING).at(-1);
    if (!above) return;
    const words = above.querySelector("[data-testid=stMarkdownContainer]") ?? above;
    const caption = table.createCaption();
    caption.className = "bm-named";
    caption.textContent = words.textContent.trim();
  };

  /* The chosen week is marked in its figure here, so that the figure stays when another is chosen:
     a line of a map is framed; a column of strips is shaded, and at the right stands its week over
     its figure on each strip. */
  const colour = (name) =>
    getComputedStyle(document.documentElement).getPropertyValue(`--bm-${name}`).trim();
  const framedLine = ({ xaxis, yaxis }, at) => {
    const [top, end] = [-0.5, 0.5].map((by) => yaxis._offset + yaxis.l2p(at + by));
    return [["rect", { x: xaxis._offset, y: Math.min(top, end), width: xaxis._length,
      height: Math.abs(end - top), fill: "none", stroke: colour("ink"), "stroke-width": 2 }]];
  };
  const shadedColumn = (layout, at, [head, ...words]) => {
    const { xaxis, _size: size } = layout;
    const last = xaxis._offset + xaxis._length;
    const [left, right] = [-0.5, 0.5].map((by) => xaxis._offset + xaxis.l2p(at + by));
    const word = (text, y, size, fill) => ["text", { x: last, y, fill, "font-size": size,
      "text-anchor": "end", style: `font-family: ${layout.font.family}` }, text];
    const strips = layout._subplots.yaxis.map((id) => layout[`yaxis${id.slice(1)}`]);
    return [
      ["rect", { x: left, y: size.t, width: right - left, height: size.h, fill: colour("band") }],
      word(head, size.t - 6, 11, colour("copper")),
      ...words.map((text, strip) => word(text, strips[strip]._offset - 5, 13, colour("ink"))),
    ];
  };
  const frame = ({ dataset: { figure, line, column, words } }) => {
    const plot = document.querySelector(`.st-key-${figure} ${PLOT}`);
    const layer = plot?.querySelector(".main-svg .cartesianlayer");
    const layout = plot?._fullLayout;
    if (!layer || !layout.yaxis?._length) return;
    const before = layer.querySelector(":scope > .bm-frame");
    if (!line && !column) return before?.remove();
    const parts = line ? framedLine(layout, Number(line))
      : shadedColumn(layout, Number(column), JSON.parse(words));
    const state = JSON.stringify(parts);
    if (before?.dataset.state === state) return;
    before?.remove();
    const marks = element("g", { class: "bm-frame", "data-state": state, "pointer-events": "none" });
    marks.append(...parts.map((part) => element(...part)));
    layer[line ? "append" : "prepend"](marks);
  };

  /* Streamlit draws pages anew at any time: what is not furnished yet is, once a frame. */
  let isDue = false;
  const furnish = () => {
    isDue = false;
    takeWords();
    nameMenu();
    document.querySelectorAll(".bm-link:not(.bm-followed)").forEach(followLink);
    document.querySelectorAll(`${PLOT}:not(.bm-with-tools)`).forEach((plot) => {
      plot.classList.add("bm-with-tools");
      offerPictures(plot);
    });
    document.querySelectorAll(".bm-framed").forEach(frame);
    document.querySelectorAll(".stMain table:not(:has(caption))").forEach(nameTable);
    document.querySelectorAll("table.bm-table:not(.bm-with-tools)").forEach((table) => {
      table.classList.add("bm-with-tools");
      offerSorting(table);
      offerSearch(table);
    });
  };
  new MutationObserver(() => {
    if (!isDue) requestAnimationFrame(furnish);
    isDue = true;
  }).observe(document.body, { childList: true, subtree: true });
  furnish();
})();
