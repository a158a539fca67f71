// The invented unit that the tests of the pages walk through: 26 patients with a part to play, on
// the morning of Monday, 2 November 2026. Nobody in it is real.
//
//   node pages/people.mjs FILE [crowd]    writes its messages for `cannulary load`, in the order of
//                                         their times; with "crowd" those of a unit of 200 patients
//   node pages/people.mjs clock           says when that morning's clock begins
import { writeFileSync } from 'node:fs';
import { pathToFileURL } from 'node:url';

export const today = '2026-11-02'; // a Monday
export const clock = `${today}T06:45:00Z`; // the tests' clock begins here
export const facility = 'unit-lindovar';
export const crowd = 'unit-crowded';
export const mrn = 'https://cannulary.example/mrn';
const staff = (value) => ({ system: 'https://cannulary.example/staff', value });
const number = (value) => ({ system: mrn, value });

// The patients that tests ask for by their part.
export const people = {
  forming: { number: 'LIN-1001', family: 'Brandoqual', given: 'Iletamira', born: '1958-05-11' },
  ready: { number: 'LIN-1002', family: 'Quenwelvar', given: 'Odalindra', born: '1944-02-29' },
  trial: { number: 'LIN-1003', family: 'Druxivemont', given: 'Wylfarro', born: '1971-09-03' },
  established: { number: 'LIN-1004', family: 'Oqualavel', given: 'Joryumilt', born: '1942-12-24' },
  held: { number: 'LIN-1005', family: 'Jixtubard', given: 'Ozmovynna', born: '1976-07-17' },
  thrill: { number: 'LIN-1006', family: 'Kyzzivendel', given: 'Ozmajora', born: '1963-03-30' },
  rescued: { number: 'LIN-1007', family: 'Jixtaximund', given: 'Vexadwe', born: '1965-10-08' },
  sparse: { number: 'LIN-1008', family: 'Thornaquil', given: 'Umbessa', born: '1950-01-02' },
  ladder: { number: 'LIN-1009', family: 'Vorqozwel', given: 'Xenojod', born: '1959-06-21' },
  graft: { number: 'LIN-1010', family: 'Pelindrax', given: 'Arvomund', born: '1947-11-15' },
  catheter: { number: 'LIN-1011', family: 'Zelthojul', given: 'Krewirva', born: '1986-04-04' },
  hostile: { number: 'LIN-1012<b>', family: '<script>alert(1)</script>', given: `"><img src=x onerror=alert(2)> O'Q &amp;`, born: '1969-08-08' },
  accents: { number: 'LIN-1013', family: 'Çédravýnn', given: 'Ôlmirå', born: '1979-12-31' },
  resting: { number: 'LIN-1014', family: 'Wexlorand', given: 'Tivamonde', born: '1955-05-05' },
  planned: { number: 'LIN-1015', family: 'Ummelfarth', given: 'Gwendoquil', born: '1982-02-14' },
  gap: { number: 'LIN-1016', family: 'Harvoquint', given: 'Ellizendra', born: '1967-01-20' },
  twinA: { number: 'LIN-1017', family: 'Marrowind', given: 'Adelquor', born: '1960-03-03' },
  twinB: { number: 'LIN-1018', family: 'Marrowind', given: 'Bexandra', born: '1961-04-04' },
  afternoon: { number: 'LIN-1019', family: 'Fessolwyn', given: 'Corvande', born: '1974-06-16' },
  evening: { number: 'LIN-1020', family: 'Yttravend', given: 'Dolqueris', born: '1953-09-19' },
  tuesday: { number: 'LIN-1021', family: 'Ruvandreth', given: 'Espelquin', born: '1948-10-10' },
};

const weekdays = ['SUNDAY', 'MONDAY', 'TUESDAY', 'WEDNESDAY', 'THURSDAY', 'FRIDAY', 'SATURDAY'].map((d) => `WEEKDAY_${d}`);
const mondays = ['MONDAY', 'WEDNESDAY', 'FRIDAY'].map((d) => `WEEKDAY_${d}`);
const tuesdays = ['TUESDAY', 'THURSDAY', 'SATURDAY'].map((d) => `WEEKDAY_${d}`);
const shifts = [
  { name: 'morning', starts_at: '07:00', ends_at: '12:00' },
  { name: 'afternoon', starts_at: '12:30', ends_at: '17:30' },
  { name: 'evening', starts_at: '17:45', ends_at: '23:00' },
];
const starts = { morning: '07:20', afternoon: '12:50', evening: '18:05' };

const dateOf = (t) => t.toISOString().slice(0, 10);
const plus = (date, days) => dateOf(new Date(Date.parse(date) + days * 86400000));
// The last n days of treatment before today, in their order.
const lastDays = (days, n, until = today) => {
  const out = [];
  for (let d = plus(until, -1); out.length < n; d = plus(d, -1)) {
    if (days.includes(weekdays[new Date(d).getUTCDay()])) out.unshift(d);
  }
  return out;
};
const later = (date, time, minutes) => new Date(Date.parse(`${date}T${time}:00Z`) + minutes * 60000).toISOString().replace('.000', '');

// unit returns what makes the messages of a unit.
function unit(id) {
  const list = [];
  let count = 0;
  let chairs = 0;
  const nextChair = () => String(++chairs === 12 ? ++chairs : chairs); // chair 12 is that of people.gap
  const post = (service, at, patient, facts, extra = {}) => {
    count++;
    const envelope = {
      source: `engine-${id}`, source_message_id: `W-${String(count).padStart(5, '0')}`, facility: id, occurred_at: at,
      precision: 'TIME_PRECISION_MINUTE', recorder: staff('RN-03'), ...extra,
    };
    if (patient) envelope.patient = number(patient.number);
    list.push({ [service]: { envelope, facts } });
    return { source_message_id: envelope.source_message_id };
  };

  const open = (name, protocol = {}) => {
    post('roster', '2024-10-01T08:00:00Z', null, [
      {
        facility_registered: {
          name, time_zone: 'Atlantic/Reykjavik', dialysis_days: weekdays.slice(1), shifts, holidays: ['2025-12-25'],
          reference_rates: [
            {
              access_kind: 'ACCESS_KIND_FISTULA', infection_class: 'INFECTION_CLASS_ACCESS_RELATED_BLOODSTREAM', per_100_patient_months: 0.2,
              basis: 'invented for a test',
            },
          ],
        },
      },
    ]);
    post('roster', '2024-10-01T09:00:00Z', null, [
      { protocol_adopted: { version: '2024-1', effective_from: '2024-10-01', protocol: { forming_sessions_target: 6, uses_pegs: false, ...protocol } } },
    ]);
    for (const [who, level, on] of [
      ['RN-03', 'TRACK_CREATOR', '2026-03-02'], ['RN-06', 'TRACK_CREATOR', '2026-06-15'], ['RN-07', 'INDEPENDENT', '2026-05-04'],
      ['RN-08', 'INDEPENDENT', '2025-08-11'], ['RN-11', 'SUPERVISED', '2026-09-07'],
    ]) {
      post('roster', `${on}T12:00:00Z`, null, [
        { cannulator_rated: { cannulator: staff(who), level: `CANNULATOR_LEVEL_${level}`, assessor: staff('RN-01') } },
      ]);
    }
  };

  // admit states who a patient is, when she comes and through what she is dialysed.
  const admit = (p, { days = mondays, shift = 'morning', kind = 'FISTULA', side = 'LEFT', region = 'FOREARM', since = '2024-10-15', chair = nextChair() } = {}) => {
    post('roster', `${since}T10:00:00Z`, p, [
      { identity_stated: { identifiers: [number(p.number)], family_name: p.family, given_names: p.given, birth_date: p.born } },
      { patient_admitted: { first_treatment_on: since } },
      { schedule_set: { days, shift, chair } },
    ]);
    post('roster', `${since}T11:00:00Z`, p, [
      {
        access_created: {
          access: kind.endsWith('CATHETER') ? 'C1' : 'F1', kind: `ACCESS_KIND_${kind}`, side: `BODY_SIDE_${side}`, region: `ACCESS_REGION_${region}`,
          created_on: '2023-05-10',
        },
      },
    ]);
  };

  const plan = (p, date, tracks, more = { tip_distance_millimetres: 70 }) =>
    post('cannulation', `${date}T06:50:00Z`, p, [
      {
        track_planned: {
          access: 'F1', engorgement: 'ENGORGEMENT_TOURNIQUET', antiseptic: 'ANTISEPTIC_CHLORHEXIDINE_ALCOHOL', ...more,
          tracks: tracks.map((t) => ({ ...role(t), ...t })),
        },
      },
    ]);
  const role = ({ track }) => ({ role: track.startsWith('A') ? 'NEEDLE_ROLE_ARTERIAL' : 'NEEDLE_ROLE_VENOUS' });
  const geometry = {
    A1: { track: 'A1', site_from_anastomosis_millimetres: 62, angle_degrees: 28, depth_millimetres: 5, direction: 'NEEDLE_DIRECTION_RETROGRADE' },
    V1: { track: 'V1', site_from_anastomosis_millimetres: 135, angle_degrees: 25, depth_millimetres: 4, direction: 'NEEDLE_DIRECTION_ANTEGRADE' },
  };
  const both = (more = {}) =>
    Object.values(geometry).map((g) => ({
      ...g, bevel: 'BEVEL_UP', gauge: 15, needle_length_millimetres: 25, landmarks: 'On the straight run, two fingers above the scar',
      fallback: 'Rope ladder above the venous site', ...more,
    }));

  // session records one treatment: needles says for each track what differs from a plain entry.
  const session = (p, date, needles, { shift = 'morning', look = {}, feel = {}, listen = {}, sites = {}, flow = 380, pressure = 112 } = {}) => {
    const extra = { session: { system: 'https://cannulary.example/session', value: `${p.number}-${date}`.replace(/[^\w-]/g, '') } };
    const start = starts[shift];
    const tracks = Object.keys(needles);
    post('assessment', later(date, start, -6), p, [
      {
        access_examined: {
          access: 'F1', look: { redness: 'FINDING_ABSENT', swelling: 'FINDING_ABSENT', pus: 'FINDING_ABSENT', shiny_or_thin_skin: 'FINDING_ABSENT', non_healing_scab: 'FINDING_ABSENT', ulcer: 'FINDING_ABSENT', ...look },
          listen: { bruit: 'FINDING_PRESENT', ...listen }, feel: { thrill: 'FINDING_PRESENT', ...feel },
          sites: tracks.map((track) => ({ track, pus: 'FINDING_ABSENT', redness: 'FINDING_ABSENT', swelling: 'FINDING_ABSENT', ...sites[track] })),
        },
      },
    ], extra);
    const inserted = tracks.flatMap((track) => {
      const n = { tip: 'SHARP', gauge: 15, by: 'RN-03', ...geometry[track], ...needles[track] };
      const entry = {
        needle_inserted: {
          track, access: 'F1', role: role({ track }).role, pattern: 'NEEDLING_PATTERN_CONSTANT_SITE', attempt_ordinal: 1, tip: `NEEDLE_TIP_${n.tip}`,
          gauge: n.gauge, angle_degrees: n.angle_degrees, depth_millimetres: n.depth_millimetres, direction: n.direction, bevel: 'BEVEL_UP',
          passes: n.passes ?? 1, resistance: `RESISTANCE_${n.resistance ?? 'NONE'}`, same_spot: 'ANSWER_YES', new_path: 'ANSWER_NO',
          flashback: 'ANSWER_YES', pain_score: n.pain ?? 2, cannulator: staff(n.by), outcome: 'INSERTION_OUTCOME_SUCCESSFUL',
          ...(n.rescue ? { rescue_reason: `RESCUE_REASON_${n.rescue}` } : {}),
        },
      };
      return [
        {
          site_prepared: {
            track, washed: 'ANSWER_YES', disinfections_complete: 'ANSWER_YES', scab: 'REMOVAL_WHOLE',
            disinfections: ['BEFORE_REMOVAL', 'AFTER_REMOVAL'].map((m) => ({
              moment: `DISINFECTION_MOMENT_${m}`, agent: 'ANTISEPTIC_CHLORHEXIDINE_ALCOHOL', contact_seconds: 30,
            })),
          },
        },
        entry,
      ];
    });
    post('cannulation', later(date, start, 0), p, [
      { session_started: { access: 'F1', pump_speed_millilitres_per_minute: flow } }, ...inserted,
    ], extra);
    if (tracks.includes('V1')) {
      post('assessment', later(date, start, 12), p, [
        { venous_pressure_read: { access: 'F1', track: 'V1', pressure_mmhg: pressure, pump_speed_millilitres_per_minute: 200, gauge: 15 } },
      ], extra);
    }
    post('cannulation', later(date, start, 245), p, [
      ...tracks.map((track) => ({
        needle_removed: {
          track, access: 'F1', role: role({ track }).role, angle_degrees: geometry[track].angle_degrees,
          haemostasis_minutes: needles[track].haemostasis ?? 8, compressive_dressing: 'ANSWER_YES', removed_by: staff('RN-06'),
        },
      })),
      { session_ended: { treated_minutes: 240, ended_early: 'ANSWER_NO' } },
    ], extra);
  };

  // plain records the last sessions of an ordinary patient.
  const plain = (p, n, tip, options = {}) => {
    for (const date of lastDays(options.days ?? mondays, n)) session(p, date, { A1: { tip }, V1: { tip } }, options);
  };
  // elsewhere records a session of a patient whom no track belongs to.
  const elsewhere = (p, date, access, sites, pattern = 'ROPE_LADDER') => {
    const extra = { session: { system: 'https://cannulary.example/session', value: `${p.number}-${date}` } };
    post('cannulation', `${date}T07:25:00Z`, p, [
      { session_started: { access, pump_speed_millilitres_per_minute: 320 } },
      ...sites.map((r) => ({
        needle_inserted: {
          access, role: `NEEDLE_ROLE_${r}`, pattern: `NEEDLING_PATTERN_${pattern}`, attempt_ordinal: 1, tip: 'NEEDLE_TIP_SHARP', gauge: 16,
          passes: 1, cannulator: staff('RN-07'), outcome: 'INSERTION_OUTCOME_SUCCESSFUL',
        },
      })),
    ], extra);
  };

  const takenOver = (p, date, more = {}) => {
    for (const g of Object.values(geometry)) {
      const { depth_millimetres: _, ...rest } = g;
      post('cannulation', `${date}T12:00:00Z`, p, [
        {
          track_taken_over: {
            ...rest, ...role(g), access: 'F1', stage: 'TRACK_STAGE_ESTABLISHED', in_use_since: '2024-01-15', gauge: 15, creator: staff('RN-03'),
            declared_by: staff('RN-01'), evidence: 'Needling log on paper', ...more,
          },
        },
      ]);
    }
  };

  return { list, post, open, admit, plan, both, session, plain, elsewhere, takenOver, geometry };
}

// cast writes the record of the 21 patients with a part and five more.
export function cast() {
  const u = unit(facility);
  const { post, admit, plan, both, session, plain, takenOver } = u;
  u.open('Unit Lindovar (invented)');

  const form = (p, n, options = {}) => {
    const days = lastDays(options.days ?? mondays, n, options.until);
    plan(p, days[0], both());
    for (const date of days) session(p, date, { A1: {}, V1: {} }, options);
  };

  admit(people.forming);
  form(people.forming, 4);

  // The arterial track is ready; the venous one still needs a session, for one entry was off the angle.
  admit(people.ready, { side: 'RIGHT' });
  const ready = lastDays(mondays, 6);
  plan(people.ready, ready[0], both());
  ready.forEach((date, i) => session(people.ready, date, { A1: {}, V1: i === 2 ? { angle_degrees: 34 } : {} }));

  admit(people.trial);
  const trial = lastDays(mondays, 7);
  plan(people.trial, trial[0], both());
  trial.forEach((date, i) => session(people.trial, date, i < 6 ? { A1: {}, V1: {} } : { A1: { tip: 'BLUNT' }, V1: { tip: 'BLUNT' } }));

  // Half a year from the first needle on, with a rescue, a missed session and a haematoma.
  admit(people.established, { region: 'UPPER_ARM' });
  const year = lastDays(mondays, 60);
  plan(people.established, year[0], both());
  year.forEach((date, i) => {
    const tip = i < 7 ? 'SHARP' : 'BLUNT';
    const by = i % 5 === 4 ? 'RN-06' : 'RN-03';
    if (i === 3) post('roster', `${date}T06:55:00Z`, people.established, [{ deputy_named: { track: 'A1', deputy: staff('RN-06'), named_by: staff('RN-01') } }]);
    if (i === 33) return;
    session(
      people.established, date,
      {
        A1: { tip: i === 40 ? 'SHARP' : tip, by, angle_degrees: 28 + (i % 3) - 1, pain: i < 10 ? 3 : 1, haemostasis: 8 + (i % 4) / 2,
          ...(i === 40 ? { rescue: 'BLUNT_WOULD_NOT_PASS', resistance: 'MODERATE', passes: 2 } : {}) },
        V1: { tip, by: 'RN-03', angle_degrees: 25 + (i % 2), haemostasis: i > 56 ? 14 : 9 },
      },
      { pressure: 110 + (i % 6) },
    );
    if (i === 12) post('cannulation', later(date, '07:20', 250), people.established, [{ complication_seen: { kind: 'COMPLICATION_KIND_HAEMATOMA', track: 'V1', note: 'Small, seen at removal' } }]);
  });

  admit(people.held);
  form(people.held, 4);
  post('assessment', '2026-10-31T17:40:00Z', people.held, [
    { access_examined: { access: 'F1', listen: { bruit: 'FINDING_PRESENT' }, feel: { thrill: 'FINDING_PRESENT' }, sites: [{ track: 'V1', redness: 'FINDING_PRESENT', pus: 'FINDING_ABSENT', swelling: 'FINDING_ABSENT' }] } },
  ]);

  admit(people.thrill);
  takenOver(people.thrill, '2026-09-28');
  plain(people.thrill, 4, 'BLUNT');
  post('assessment', `${today}T06:31:00Z`, people.thrill, [
    { access_examined: { access: 'F1', listen: { bruit: 'FINDING_ABSENT' }, feel: { thrill: 'FINDING_ABSENT' } } },
  ]);

  admit(people.rescued);
  takenOver(people.rescued, '2026-09-28');
  lastDays(mondays, 12).forEach((date, i) =>
    session(people.rescued, date, { A1: { tip: [7, 10].includes(i) ? 'SHARP' : 'BLUNT', ...([7, 10].includes(i) ? { rescue: 'BLUNT_WOULD_NOT_PASS', resistance: 'MODERATE' } : {}) }, V1: { tip: 'BLUNT' } }));

  // Little is recorded of this one: no distances, no depth, no side.
  post('roster', '2026-10-01T10:00:00Z', people.sparse, [
    { identity_stated: { identifiers: [number(people.sparse.number)], family_name: people.sparse.family, given_names: people.sparse.given, birth_date: people.sparse.born } },
    { patient_admitted: {} },
    { schedule_set: { days: mondays, shift: 'morning' } },
  ]);
  post('roster', '2026-10-01T10:05:00Z', people.sparse, [{ access_created: { access: 'F1', kind: 'ACCESS_KIND_FISTULA' } }]);
  plan(people.sparse, '2026-10-28', [{ track: 'A1' }, { track: 'V1' }], {});

  admit(people.ladder);
  lastDays(mondays, 6).forEach((date) => u.elsewhere(people.ladder, date, 'F1', ['ARTERIAL', 'VENOUS']));
  admit(people.graft, { kind: 'GRAFT', region: 'UPPER_ARM' });
  lastDays(mondays, 5).forEach((date) => u.elsewhere(people.graft, date, 'F1', ['ARTERIAL', 'VENOUS']));
  admit(people.catheter, { kind: 'TUNNELED_CATHETER', region: 'NECK_OR_CHEST' });

  admit(people.hostile);
  form(people.hostile, 3);
  post('cannulation', '2026-10-30T12:05:00Z', people.hostile, [
    { complication_seen: { kind: 'COMPLICATION_KIND_OTHER', track: 'A1', note: `</td><script>alert(3)</script> & "note" ' {{.}}` } },
  ]);

  admit(people.accents);
  takenOver(people.accents, '2026-09-28');
  plain(people.accents, 5, 'BLUNT');

  admit(people.resting);
  takenOver(people.resting, '2026-09-28');
  plain(people.resting, 3, 'BLUNT');
  post('cannulation', '2026-10-30T13:00:00Z', people.resting, [{ track_rested: { track: 'V1', reason: 'Bruise after a fall' } }]);

  admit(people.planned);
  plan(people.planned, '2026-10-31', both());

  // Two weeks without a needle: counting began again.
  admit(people.gap, { chair: '12' });
  plan(people.gap, '2026-09-28', both());
  for (const date of ['2026-09-28', '2026-09-30', '2026-10-02', '2026-10-26', '2026-10-28', '2026-10-30']) session(people.gap, date, { A1: {}, V1: {} });

  for (const p of [people.twinA, people.twinB]) {
    admit(p);
    takenOver(p, '2026-09-28');
    plain(p, 4, 'BLUNT');
  }
  admit(people.afternoon, { shift: 'afternoon' });
  form(people.afternoon, 3, { shift: 'afternoon' });
  admit(people.evening, { shift: 'evening' });
  takenOver(people.evening, '2026-09-28');
  plain(people.evening, 4, 'BLUNT', { shift: 'evening' });
  admit(people.tuesday, { days: tuesdays });
  takenOver(people.tuesday, '2026-09-28');
  plain(people.tuesday, 4, 'BLUNT', { days: tuesdays });

  infections(u);
  return sorted(u.list);
}

// infections gives the unit two years of censuses and, of some patients treated all that time,
// blood cultures: three in the first year, five in the second.
function infections(u) {
  const { post, admit, takenOver } = u;
  const ill = [1, 2, 3, 4, 5].map((n) => ({ number: `LIN-20${n}`, family: `Senquaril${'aeiou'[n - 1]}`, given: 'Vandolir', born: `194${n}-0${n}-1${n}` }));
  for (const p of ill) {
    admit(p, { days: tuesdays, shift: 'evening' });
    takenOver(p, '2024-10-28');
  }
  // The record begins with the first treatment in it. Every fourteenth day stands for all.
  for (let d = '2024-10-29'; d < today; d = plus(d, 14)) {
    for (const p of ill) u.session(p, d, { A1: { tip: 'BLUNT' }, V1: { tip: 'BLUNT' } }, { shift: 'evening' });
  }
  for (let i = 0; i < 24; i++) {
    const month = new Date(Date.UTC(2024, 10 + i, 1));
    const days = [];
    for (let d = dateOf(month); days.length < 2; d = plus(d, 1)) if (new Date(d).getUTCDay() !== 0) days.push(d);
    post('roster', `${days[1]}T20:00:00Z`, null, [
      {
        census_counted: {
          month: dateOf(month).slice(0, 7), counted_on: days, fistula: 22, fistula_of_which_constant_site: 19, graft: 1, tunneled_catheter: 1,
          non_tunneled_catheter: 0, other: 0,
        },
      },
    ]);
  }
  [['2025-02-12', 0], ['2025-05-20', 3], ['2025-07-08', 1], ['2025-12-16', 2], ['2026-01-27', 1], ['2026-04-21', 3], ['2026-06-02', 0], ['2026-08-18', 4]].forEach(([date, i]) =>
    post('surveillance', `${plus(date, 2)}T10:02:00Z`, ill[i], [
      {
        culture_resulted: {
          collected_at: `${date}T07:20:00Z`, collected_precision: 'TIME_PRECISION_MINUTE', specimen: 'CULTURE_SPECIMEN_BLOOD',
          setting: 'COLLECTION_SETTING_OUTPATIENT', growth: 'CULTURE_GROWTH_POSITIVE',
          organisms: [{ group: 'ORGANISM_GROUP_COAGULASE_NEGATIVE_STAPHYLOCOCCUS' }],
        },
      },
    ]));
}

// crowded is a unit of 200 patients, all with two established tracks.
export function crowded() {
  const u = unit(crowd);
  u.open('Unit Morvane (invented)');
  const first = ['Bran', 'Quel', 'Dorv', 'Ylm', 'Tass', 'Wex', 'Jor', 'Umb', 'Kyz', 'Zelt'];
  const last = ['oquart', 'endral', 'ivand', 'umelth', 'axwell', 'ornequil', 'ibrand', 'avont', 'ezarro', 'imwyl'];
  for (let i = 0; i < 200; i++) {
    const p = {
      number: `MOR-${1000 + i}`, family: first[i % 10] + last[Math.floor(i / 10) % 10], given: last[i % 10].replace(/^./, (c) => c.toUpperCase()) + first[i % 7].toLowerCase(),
      born: `19${40 + (i % 50)}-0${1 + (i % 9)}-1${i % 10}`,
    };
    u.admit(p, { shift: ['morning', 'afternoon', 'evening'][i % 3] });
    u.takenOver(p, '2026-10-01');
    u.session(p, '2026-10-30', { A1: { tip: 'BLUNT' }, V1: { tip: 'BLUNT' } }, { shift: ['morning', 'afternoon', 'evening'][i % 3] });
  }
  return sorted(u.list);
}

const envelope = (m) => Object.values(m)[0].envelope;
const sorted = (list) => list.map((m, i) => [m, i]).sort(([a, i], [b, j]) => envelope(a).occurred_at.localeCompare(envelope(b).occurred_at) || i - j).map(([m]) => m);
export const lines = (list) => list.map((m) => `${JSON.stringify(m)}\n`).join('');

if (process.argv[1] && import.meta.url === pathToFileURL(process.argv[1]).href) {
  if (process.argv[2] === 'clock') console.log(clock);
  else writeFileSync(process.argv[2], lines(process.argv[3] === 'crowd' ? crowded() : cast()));
}
