// Searching by brute force: the rules of R4's search (http://hl7.org/fhir/R4/search.html)
// applied to resources one by one. Every test answers for one value of a resource; values
// are those of standard.mjs. It knows nothing of how the service searches.
import assert from 'node:assert/strict';
import { range } from './standard.mjs';

// escape writes a value so that its own , | $ and \ do not split it.
export const escape = (s) => s.replace(/[\\,|$]/g, '\\$&');

// --- token: [code], [system]|[code], |[code], [system]| ---

// The code systems in use and FHIR's own are case sensitive, so codes are. For identifiers,
// whose case sensitivity is not known, R4 only recommends to ignore case.
export function token(v, { system, code }) {
  return (system === undefined || v.system === system) && (code === undefined || v.code === code);
}

export function writeToken({ system, code }) {
  return system === undefined ? escape(code) : `${escape(system)}|${code === undefined ? '' : escape(code)}`;
}

// --- date: the prefixes compare the ranges of both sides ---

// A value without a zone is compared with what the element's clock shows, one with a zone by
// moments: see range.
export function date(value, prefix, text) {
  const asked = range(text, 'UTC');
  const v = asked.zoned ? value : { low: value.localLow, high: value.localHigh };
  const { low, high } = asked;
  const contained = v.low >= low && v.high <= high;
  switch (prefix) {
    case '': case 'eq': return contained;
    case 'ne': return !contained;
    case 'gt': return v.high > high;
    case 'lt': return v.low < low;
    case 'ge': return v.high > high || contained;
    case 'le': return v.low < low || contained;
    case 'sa': return v.low >= high;
    case 'eb': return v.high <= low;
  }
  assert.fail(`the prefix ${prefix}`);
}

// --- quantity: eq and ne by significant digits, the others by the number itself ---

// decimal is a number as [digits, places]: 6.40 is [640n, 2]. Numbers are compared as they
// are written; binary fractions would blur the boundaries.
function decimal(text) {
  const m = /^([+-]?)(\d+)(?:\.(\d+))?$/.exec(text);
  assert.ok(m, `${text} is no plain number`);
  const fraction = m[3] ?? '';
  return [BigInt(`${m[1] === '-' ? '-' : ''}${m[2]}${fraction}`), fraction.length];
}

function compare([a, n], [b, m]) {
  const left = a * 10n ** BigInt(m), right = b * 10n ** BigInt(n);
  return left < right ? -1 : left > right ? 1 : 0;
}

export function quantity(v, prefix, number, unit) {
  if (unit) {
    if (unit.system !== '' && v.system !== unit.system) return false;
    // number||unit is without a system: the unit may be the code or its human form (search,
    // quantity; from memory of that page).
    if (unit.system === '' ? v.code !== unit.code && v.unit !== unit.code : v.code !== unit.code) return false;
  }
  const value = decimal(String(v.value));
  const [digits, places] = decimal(number);
  // [number - half of the last digit, number + half of it)
  const inside = compare(value, [digits * 10n - 5n, places + 1]) >= 0 && compare(value, [digits * 10n + 5n, places + 1]) < 0;
  const order = compare(value, [digits, places]);
  switch (prefix) {
    case '': case 'eq': return inside;
    case 'ne': return !inside;
    case 'gt': case 'sa': return order > 0;
    case 'lt': case 'eb': return order < 0;
    case 'ge': return order >= 0;
    case 'le': return order <= 0;
  }
  assert.fail(`the prefix ${prefix}`);
}

export const writeQuantity = (prefix, number, unit) => `${prefix}${number}${unit ? `|${escape(unit.system)}|${escape(unit.code)}` : ''}`;

// --- string: begins with, without regard to case and accents; :contains; :exact ---

const fold = (s) => s.normalize('NFD').replace(/\p{Mn}/gu, '').toLowerCase();

export function string(v, modifier, text) {
  switch (modifier) {
    case 'exact': return v.text === text;
    case 'contains': return fold(v.text).includes(fold(text));
  }
  return fold(v.text).startsWith(fold(text));
}

// --- random numbers that can be repeated (mulberry32) ---

export function chance(seed) {
  let a = seed >>> 0;
  const next = () => {
    a = (a + 0x6d2b79f5) >>> 0;
    let t = Math.imul(a ^ (a >>> 15), a | 1);
    t ^= t + Math.imul(t ^ (t >>> 7), t | 61);
    return ((t ^ (t >>> 14)) >>> 0) / 4294967296;
  };
  return {
    next,
    below: (n) => Math.floor(next() * n),
    of: (list) => list[Math.floor(next() * list.length)],
    one: (p) => next() < p,
  };
}
