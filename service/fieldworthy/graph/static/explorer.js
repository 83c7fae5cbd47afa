"use strict";
const at = (id) => document.getElementById(id);
const TYPE = "kind name ofType { kind name ofType { kind name ofType { kind name ofType { kind name } } } }";
const SCHEMA = `{ __schema { queryType { name } mutationType { name } subscriptionType { name } types {
  kind name description enumValues(includeDeprecated: true) { name description } possibleTypes { name }
  inputFields { name description defaultValue type { ${TYPE} } }
  fields(includeDeprecated: true) { name description isDeprecated deprecationReason type { ${TYPE} }
    args { name description defaultValue type { ${TYPE} } } } } } }`;

let types = null;
let roots = [];
let trail = [];

async function ask(body) {
  const headers = { "content-type": "application/json", accept: "application/graphql-response+json, application/json;q=0.9" };
  const key = at("key").value.trim();
  if (key) headers.authorization = "Bearer " + key;
  return fetch(location.pathname, { method: "POST", headers, body: JSON.stringify(body), credentials: "omit" });
}

function make(tag, text, className) {
  const node = document.createElement(tag);
  if (text !== undefined) node.textContent = text;
  if (className) node.className = className;
  return node;
}

function typeText(type) {
  if (type.kind === "NON_NULL") return typeText(type.ofType) + "!";
  if (type.kind === "LIST") return "[" + typeText(type.ofType) + "]";
  return type.name;
}

const named = (type) => (type.ofType ? named(type.ofType) : type.name);

function link(name, text) {
  const button = make("button", text || name, "link");
  button.type = "button";
  button.addEventListener("click", () => show([...trail, name]));
  return button;
}

function typeLink(type) {
  return link(named(type), typeText(type));
}

function member(field, into) {
  const line = make("div", undefined, "member");
  line.append(make("code", field.name, field.isDeprecated ? "old" : ""));
  const given = field.args || [];
  given.forEach((argument, n) => {
    line.append(n ? ", " : "(", make("code", argument.name), ": ", typeLink(argument.type));
    if (argument.defaultValue) line.append(" = " + argument.defaultValue);
  });
  if (given.length) line.append(")");
  if (field.type) line.append(": ", typeLink(field.type));
  if (field.defaultValue) line.append(" = " + field.defaultValue);
  for (const said of [field.description, field.deprecationReason && "Going away: " + field.deprecationReason]) {
    if (said) line.append(make("p", said, "said"));
  }
  into.append(line);
}

function show(path) {
  trail = path;
  const browser = at("browser");
  browser.replaceChildren();
  at("trail").replaceChildren();
  path.forEach((name, n) => {
    const step = make("button", name, "link");
    step.type = "button";
    step.addEventListener("click", () => show(path.slice(0, n + 1)));
    at("trail").append(n ? " › " : "", step);
  });
  const words = at("find").value.trim().toLowerCase();
  if (words) return found(words, browser);
  if (!path.length) {
    roots.forEach((name) => {
      browser.append(make("h3", name));
      types.get(name).fields.forEach((field) => member(field, browser));
    });
    browser.append(make("h3", "Types"));
    [...types.keys()].filter((name) => !name.startsWith("__")).sort().forEach((name) => {
      const line = make("div", undefined, "member");
      line.append(link(name));
      browser.append(line);
    });
    return undefined;
  }
  const type = types.get(path[path.length - 1]);
  if (type.description) browser.append(make("p", type.description, "said"));
  (type.fields || type.inputFields || type.enumValues || []).forEach((field) => member(field, browser));
  (type.possibleTypes || []).forEach((each) => browser.append(link(each.name), " "));
  return undefined;
}

function found(words, browser) {
  let left = 100;
  for (const type of types.values()) {
    if (type.name.startsWith("__")) continue;
    const hits = (type.fields || type.inputFields || type.enumValues || []).filter((field) => field.name.toLowerCase().includes(words));
    if (!hits.length && !type.name.toLowerCase().includes(words)) continue;
    const head = make("h3");
    head.append(link(type.name));
    browser.append(head);
    hits.slice(0, left).forEach((field) => member(field, browser));
    left -= hits.length + 1;
    if (left <= 0) return;
  }
}

async function readSchema() {
  const answer = await ask({ query: SCHEMA });
  const told = await answer.json();
  if (!told.data) {
    at("browser").replaceChildren(make("p", told.detail || (told.errors && told.errors[0].message) || "The schema can't be read."));
    return;
  }
  const schema = told.data.__schema;
  types = new Map(schema.types.map((type) => [type.name, type]));
  roots = [schema.queryType, schema.mutationType, schema.subscriptionType].filter(Boolean).map((type) => type.name);
  show([]);
}

async function run() {
  let variables;
  try {
    variables = JSON.parse(at("variables").value.trim() || "{}");
  } catch (trouble) {
    at("result").textContent = "The variables are no JSON: " + trouble.message;
    return;
  }
  at("status").textContent = "asking …";
  const begun = performance.now();
  try {
    const answer = await ask({ query: at("query").value, variables, operationName: at("operation").value.trim() || null });
    const text = await answer.text();
    at("status").textContent = `${answer.status}, ${Math.round(performance.now() - begun)} ms`;
    try {
      at("result").textContent = JSON.stringify(JSON.parse(text), null, 2);
    } catch {
      at("result").textContent = text;
    }
  } catch (trouble) {
    at("status").textContent = "no answer";
    at("result").textContent = String(trouble);
  }
}

at("run").addEventListener("click", run);
at("key").addEventListener("change", readSchema);
at("find").addEventListener("input", () => types && show([]));
document.addEventListener("keydown", (event) => {
  if (event.key === "Enter" && (event.ctrlKey || event.metaKey)) run();
});
readSchema();
