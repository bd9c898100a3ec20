// Elements of the page, made without ever reading text as markup.

const SVG = "http://www.w3.org/2000/svg";

function fitted(node, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else node.setAttribute(name, value === true ? "" : String(value));
  }
  node.append(...children.flat(Infinity).filter((child) => child !== null && child !== undefined));
  return node;
}

function h(tag, attributes = {}, ...children) {
  return fitted(document.createElement(tag), attributes, children);
}

function s(tag, attributes = {}, ...children) {
  return fitted(document.createElementNS(SVG, tag), attributes, children);
}

// A name that people gave, kept apart from the direction of the text around it.
function bdi(text) {
  return h("bdi", {}, text);
}

function redraw(node, ...children) {
  node.replaceChildren(...children.flat(Infinity).filter((child) => child !== null && child !== undefined));
}
