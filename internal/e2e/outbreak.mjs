// An outbreak in an invented unit, as messages for `cannulary load`, one a line.
//
//   node outbreak.mjs before       the unit: 20 constant-site patients, two thresholds, one infection
//   node outbreak.mjs outbreak     four more access-related bloodstream infections, one of S. aureus
//   node outbreak.mjs further      two more of S. aureus, told in one go
//   node outbreak.mjs acknowledge  both signals are acknowledged by a named person
//   node outbreak.mjs lift N HOLD  the hold of patient OUT-000N after S. aureus is lifted
//
// Dates are days before today: the service's clock is the real one. The sums: each infection
// adds ln 3 = 1.0986, each day takes 20 patients · 0.26/100/30.44 · (3 − 1) = 0.0034. After one
// infection the sum is at most 1.1; after five, within 25 days, at least 5.49 − 0.12. The
// threshold of 4 lies between.
const [phase, number, hold] = process.argv.slice(2);
const facility = 'invented-outbreak';
const staff = { system: 'https://unit-outbreak.example/staff', value: 'S-900' };
const patients = Array.from({ length: 20 }, (_, i) => ({ system: 'https://hospital.example/patient-number', value: `OUT-${String(i + 1).padStart(4, '0')}` }));
const daysAgo = (n) => new Date(Date.now() - n * 24 * 3600 * 1000);
const date = (n) => daysAgo(n).toISOString().slice(0, 10);
const noon = (n) => `${date(n)}T12:00:00Z`;

// say writes one message; its id is its content's name, so that a phase can be sent again.
function say(service, id, patient, at, facts) {
  const envelope = { source: 'engine-outbreak', source_message_id: id, facility, occurred_at: at, precision: 'TIME_PRECISION_MINUTE', recorder: staff };
  if (patient) envelope.patient = patient;
  console.log(JSON.stringify({ [service]: { envelope, facts } }));
}

function culture(n, ago, group) {
  say('surveillance', `culture-${n}`, patients[n], noon(ago - 1), [{
    culture_resulted: {
      collected_at: noon(ago), collected_precision: 'TIME_PRECISION_DAY', specimen: 'CULTURE_SPECIMEN_BLOOD', setting: 'COLLECTION_SETTING_OUTPATIENT',
      growth: 'CULTURE_GROWTH_POSITIVE', organisms: [{ group }],
    },
  }]);
}

const charts = ['ACCESS_RELATED_BLOODSTREAM', 'BLOODSTREAM'].map((c) => ({ pattern: 'NEEDLING_PATTERN_CONSTANT_SITE', infection_class: `INFECTION_CLASS_${c}` }));

switch (phase) {
  case 'before':
    say('roster', 'registered', null, noon(120), [{
      facility_registered: {
        name: 'Invented Unit Outbreak', time_zone: 'Europe/Lisbon',
        dialysis_days: ['MONDAY', 'TUESDAY', 'WEDNESDAY', 'THURSDAY', 'FRIDAY', 'SATURDAY'].map((d) => `WEEKDAY_${d}`),
        shifts: [{ name: 'morning', starts_at: '07:00', ends_at: '12:00' }],
      },
    }]);
    charts.forEach((chart, i) => say('roster', `threshold-${i}`, null, noon(60), [{
      surveillance_threshold_set: { ...chart, reference_per_100_patient_months: 0.26, rate_ratio: 3, threshold: 4, in_control_months: 120, set_by: staff },
    }]));
    patients.forEach((p, i) => {
      say('roster', `admitted-${i}`, p, noon(100), [{ patient_admitted: { first_treatment_on: date(100) } },
        { access_created: { access: 'F1', kind: 'ACCESS_KIND_FISTULA', side: 'BODY_SIDE_LEFT', region: 'ACCESS_REGION_FOREARM', created_on: date(900) } }]);
      say('cannulation', `taken-over-${i}`, p, noon(99), [{
        track_taken_over: {
          track: 'A1', access: 'F1', role: 'NEEDLE_ROLE_ARTERIAL', stage: 'TRACK_STAGE_ESTABLISHED', in_use_since: date(500), angle_degrees: 25,
          direction: 'NEEDLE_DIRECTION_RETROGRADE', gauge: 15, declared_by: staff, evidence: 'Invented: letter of the unit that treated before', site_from_anastomosis_millimetres: 60,
        },
      }]);
    });
    culture(0, 25, 'ORGANISM_GROUP_COAGULASE_NEGATIVE_STAPHYLOCOCCUS');
    break;
  case 'outbreak':
    [1, 2, 3].forEach((n) => culture(n, 15 - 3 * n, 'ORGANISM_GROUP_COAGULASE_NEGATIVE_STAPHYLOCOCCUS'));
    culture(4, 3, 'ORGANISM_GROUP_STAPHYLOCOCCUS_AUREUS');
    break;
  case 'further':
    [5, 6].forEach((n) => culture(n, 2, 'ORGANISM_GROUP_STAPHYLOCOCCUS_AUREUS'));
    break;
  case 'acknowledge':
    charts.forEach((chart, i) => say('roster', `acknowledged-${i}`, null, new Date().toISOString(), [{
      surveillance_signal_acknowledged: { ...chart, acknowledged_by: staff, reason: 'Invented: one cannulator left out the second disinfection; taught anew' },
    }]));
    break;
  case 'lift':
    say('cannulation', `lifted-${hold}`, patients[number - 1], new Date().toISOString(), [{ hold_lifted: { hold, lifted_by: staff, reason: 'Invented: reviewed, another site is used' } }]);
    break;
  default:
    console.error('usage: node outbreak.mjs before|outbreak|further|acknowledge|lift N HOLD');
    process.exit(2);
}
