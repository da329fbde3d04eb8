// Lead arm and club as the server worked them out, in one view: 0 face-on, 1 down the line.

const NS = "http://www.w3.org/2000/svg";
const make = (name, attributes, parent) => {
  const element = document.createElementNS(NS, name);
  Object.entries(attributes).forEach(([key, value]) => element.setAttribute(key, value));
  parent.append(element);
  return element;
};

/// Prepares the drawing; the function it gives draws one point of the curve.
export function figure(svg, motion, view) {
  const scale = 100;
  const at = (point) => [scale * point[view], -scale * point[2]];
  svg.setAttribute("viewBox", "-170 -170 340 340");
  make("path", { class: "ground", d: "M-165 145H165" }, svg);
  const trail = motion.figure.head.map((point, i) => (i ? "L" : "M") + at(point).map((n) => n.toFixed(1)).join(" ")).join("");
  make("path", { class: "trail", d: trail }, svg);
  make("circle", { class: "joint", cx: 0, cy: 0, r: 7 }, svg);
  const arm = make("path", { class: "arm" }, svg);
  const club = make("path", { class: "club" }, svg);
  const wrist = make("circle", { class: "joint", r: 5 }, svg);
  const head = make("circle", { class: "head", r: 5 }, svg);
  return (index) => {
    const [wx, wy] = at(motion.figure.wrist[index]);
    const [hx, hy] = at(motion.figure.head[index]);
    arm.setAttribute("d", `M0 0L${wx} ${wy}`);
    club.setAttribute("d", `M${wx} ${wy}L${hx} ${hy}`);
    wrist.setAttribute("cx", wx);
    wrist.setAttribute("cy", wy);
    head.setAttribute("cx", hx);
    head.setAttribute("cy", hy);
  };
}
