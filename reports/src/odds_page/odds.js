// Works out the same numbers as `fixodds odds`, from the same counts. What each formula means and where it comes from stands in
// analytics/estimators/src/fault_odds/mod.rs and search_order.rs; the names here are the names there.
'use strict';

const Z = 1.959963984540054; // 95 %, two-sided
const LARGEST_LOG = 600;
const OPENING_PART = 0.5;
const DEFAULT_CHECK_MINUTES = 15;
const MOST_OF_IT = 0.9;
const FAULTS_WITH_CONSEQUENCES = 3;
const SHORTEST_PART = 3;

const comparable = Math.fround; // what differs only by rounding counts as equal
const sum = numbers => numbers.reduce((total, number) => total + number, 0);
const ofShape = (shape, divisor) => ({ value: shape / divisor, logVariance: 1 / shape + 0.5 / (shape * shape) });
const own = (object, key) => key != null && Object.hasOwn(object, key) ? object[key] : null;

/** The counts of a category under the settings, ready to answer. */
function categoryOdds(category, settings) {
  const counts = category.counts;
  const bands = counts.faults_by_age[0].length - 1;
  const ofComponent = counts.faults_by_age.map(sum);
  const jobs = sum(ofComponent);
  const equal = settings.category_strength / ofComponent.length;
  const share = ofComponent.map(n => ofShape(n + equal, jobs + settings.category_strength));
  const band = Array.from({ length: bands }, (_, position) => position);
  const spread = counts.faults_by_age.map(row =>
    band.map(at => sum(band.map(other => settings.age_reach ** Math.abs(other - at) * row[other]))));
  const inBand = band.map(at => sum(spread.map(row => row[at])));
  const shareByAge = share.map((allAges, k) => {
    const row = spread[k].map((n, at) => ofShape(n + settings.age_strength * allAges.value, inBand[at] + settings.age_strength));
    return [...row, allAges];
  });
  return { bands, share, shareByAge, weights: category.complaint, settings };
}

// The words of a complaint, as in schemas/src/words.rs.
const MOST_WORDS = 60, LONGEST_WORD = 24, SHORTEST_MISSPELT = 4;

function codeOf(word) {
  const parts = /^([a-z]{1,2})(\d{1,3})$/.exec(word);
  return parts && parts[1] + (parts[2].replace(/^0+/, '') || '0');
}

function wordsOf(text) {
  const normalised = text.replace(/['\u2019\u2018`]/g, '').replace(/[#\u2116]/g, ' no ').replace(/&/g, ' and ').toLowerCase()
    .replace(/[^\p{L}\p{N}£€$]+/gu, ' ').replace(/[£€$]/g, ' $& ');
  const pieces = normalised.split(/\s+/).filter(piece => piece !== '').slice(0, MOST_WORDS);
  const words = new Set();
  for (let at = 0; at < pieces.length; at++) {
    const piece = pieces[at], code = codeOf(piece);
    const joined = /^[a-z]$/.test(piece) ? codeOf(piece + (pieces[at + 1] ?? '')) : null;
    if (code) words.add(code);
    else if (joined) { words.add(joined); at++; }
    else if ([...piece].length > 1 && piece.length <= LONGEST_WORD && !/^\d+$/.test(piece)) words.add(piece);
  }
  return [...words].sort();
}

function differByOne(one, other) {
  const [long, short] = one.length >= other.length ? [[...one], [...other]] : [[...other], [...one]];
  if (long.length - short.length > 1) return false;
  let same = 0;
  while (same < short.length && long[same] === short[same]) same++;
  const rest = (letters, from) => letters.slice(from).join('');
  if (long.length > short.length) return rest(long, same + 1) === rest(short, same);
  return rest(long, same + 1) === rest(short, same + 1)
    || (long[same] === short[same + 1] && long[same + 1] === short[same] && rest(long, same + 2) === rest(short, same + 2));
}

/** Position of the counted word that a word is, or is nearly; -1 if there is none. An error code is counted within its brand. */
function findWord(word, brand, known) {
  const counted = codeOf(word) ? (brand == null ? null : `${brand} ${word}`) : word;
  if (counted == null) return -1;
  const exact = known.indexOf(counted);
  if (exact >= 0 || counted.length < SHORTEST_MISSPELT || /\d/.test(counted)) return exact;
  return known.findIndex(other => other.length >= SHORTEST_MISSPELT && !/\d/.test(other) && differByOne(counted, other));
}

/** Features of what was said, and how many words are not known; none where nothing was said. */
function saidOf(category, asked) {
  const words = asked.words ?? [];
  if (asked.symptoms.length + words.length === 0) return null;
  const found = [...asked.symptoms.map(key => category.symptoms.indexOf(key)), ...words.map(word => {
    const at = findWord(word, asked.brand, category.words);
    return at < 0 ? at : category.symptoms.length + at;
  })];
  const features = [...new Set(found.filter(feature => feature >= 0))].sort((a, b) => a - b);
  return { features, unknown: found.filter(feature => feature < 0).length };
}

/** How many times as frequent each component is in the kind as in the category at the same ages. */
function kindRatios(odds, groups) {
  let ratios = odds.share.map(share => ({ value: 1, logVariance: share.logVariance }));
  groups.forEach((group, level) => {
    if (!group) return;
    const observed = new Array(odds.share.length).fill(0);
    for (const [component, jobs] of group.faults) observed[component] = jobs;
    ratios = ratios.map((above, k) => {
      const expected = sum(group.jobs.map(([band, jobs]) => jobs * odds.shareByAge[k][band].value));
      const prior = odds.settings.group_strengths[level] * odds.share[k].value;
      const shape = observed[k] + prior * above.value;
      const weightAbove = prior * above.value / shape;
      const ratio = ofShape(shape, expected + prior);
      return { value: ratio.value, logVariance: ratio.logVariance + weightAbove * weightAbove * above.logVariance };
    });
  });
  return ratios;
}

/** Probability of each component, with its interval. */
function probabilities(odds, groups, band, said) {
  const ratios = kindRatios(odds, groups);
  const told = odds.weights;
  const weights = odds.share.map((_, k) => {
    const share = odds.shareByAge[k][band ?? odds.bands];
    const log = Math.log(share.value) + Math.log(ratios[k].value);
    const variance = (band == null ? 0 : share.logVariance) + ratios[k].logVariance;
    if (!said) return { log, variance };
    return {
      log: log + told.intercept[k] + sum(said.features.map(j => told.features[j][k])),
      variance: variance + odds.settings.complaint_inflation
        * (told.intercept_variance[k] + sum(said.features.map(j => told.variances[j][k])) + said.unknown * told.unknown_word_variance),
    };
  });
  const largest = Math.max(...weights.map(weight => weight.log));
  const raw = weights.map(weight => Math.exp(weight.log - largest));
  const total = sum(raw);
  const shares = raw.map(weight => weight / total);
  const weighted = sum(shares.map((p, k) => p * p * weights[k].variance));
  return shares.map((p, k) => {
    const others = 1 - p;
    if (others <= 0 || p <= 0) return { estimate: p, lower: p, upper: p };
    const variance = weights[k].variance + Math.max(weighted - p * p * weights[k].variance, 0) / (others * others);
    const centre = Math.log(p / others) * Math.sqrt(1 + Math.PI / 8 * variance);
    const at = logOdds => 1 / (1 + Math.exp(-Math.min(Math.max(logOdds, -LARGEST_LOG), LARGEST_LOG)));
    const spread = Z * Math.sqrt(variance);
    return { estimate: p, lower: Math.min(at(centre - spread), p), upper: Math.max(at(centre + spread), p) };
  });
}

/** What each thing that was said does to the odds of the likeliest component. */
function mentionsOf(category, said, answers) {
  const first = answers.reduce((best, answer, k) => answer.estimate > answers[best].estimate ? k : best, 0);
  return said.features.map(feature => {
    const weights = category.complaint.features[feature];
    const oddsOf = p => p[first] / sum(p.filter((_, k) => k !== first));
    const ratio = oddsOf(answers.map(answer => answer.estimate)) / oddsOf(answers.map((answer, k) => answer.estimate * Math.exp(-weights[k])));
    const symptoms = category.symptoms.length;
    return {
      said: category.symptoms[feature] ?? category.words[feature - symptoms], is_symptom: feature < symptoms,
      jobs: category.mention_jobs[feature], odds_ratio: Number.isFinite(ratio) ? ratio : 1,
    };
  });
}

/** The best order of each run of checks after the one before; what was opened stays open. */
function inTurn(checks, opening, runs) {
  const ratio = position => comparable(checks[position].probability / checks[position].minutes);
  const opened = opening.map(() => false);
  const steps = [];
  let minutes = 0, found = 0, expected = 0;
  for (const belongs of runs) {
    const left = opening.map((_, group) => checks.map((_, position) => position)
      .filter(position => checks[position].group === group && belongs(checks[position])).sort((a, b) => ratio(b) - ratio(a) || a - b));
    for (;;) {
      let best = null;
      left.forEach((waiting, group) => {
        if (waiting.length === 0) return;
        const offer = { group, ...bestFew(waiting, checks, opened[group] ? 0 : opening[group]) };
        if (!best || offer.ratio > best.ratio) best = offer;
      });
      if (!best) break;
      for (const position of left[best.group].splice(0, best.count)) {
        const opens = !opened[best.group];
        opened[best.group] = true;
        const taken = checks[position].minutes + (opens ? opening[best.group] : 0);
        minutes += taken;
        found += checks[position].probability;
        expected += checks[position].probability * minutes;
        steps.push({ position, opens, live: checks[position].live, minutes: taken, minutes_elapsed: minutes, probability_found: found });
      }
    }
  }
  return { steps, expected_minutes: expected / found };
}

/** The order with the least expected time among those that begin with all dead checks, and what that rule costs. */
function deadChecksFirst(checks, opening) {
  const free = inTurn(checks, opening, [() => true]);
  const order = inTurn(checks, opening, [check => !check.live, check => check.live]);
  return { ...order, dead_first_minutes: Math.max(order.expected_minutes - free.expected_minutes, 0) };
}

function bestFew(waiting, checks, opening) {
  let probability = 0, minutes = opening, best = { ratio: -Infinity, count: 1 };
  waiting.forEach((position, taken) => {
    probability += checks[position].probability;
    minutes += checks[position].minutes;
    const ratio = comparable(probability / minutes);
    if (ratio > best.ratio) best = { ratio, count: taken + 1 };
  });
  return best;
}

/** Mean of a quantity over uncertain odds, with its variance: analytics/estimators/src/fault_odds/mean.rs. */
function meanOverOdds(outcomes) {
  const probability = sum(outcomes.map(outcome => outcome.probability.estimate));
  if (!(probability > 0)) return null;
  const logit = p => Math.log(p / (1 - p));
  const share = outcome => outcome.probability.estimate / probability;
  const mean = sum(outcomes.map(outcome => share(outcome) * outcome.value));
  const variance = sum(outcomes.filter(outcome => outcome.probability.estimate > 0).map(outcome => {
    const width = (logit(outcome.probability.upper) - logit(outcome.probability.lower)) / (2 * Z);
    const logVariance = Number.isFinite(width) ? width * width : 0;
    return (share(outcome) * (outcome.value - mean)) ** 2 * logVariance + share(outcome) ** 2 * outcome.variance;
  }));
  return { mean, variance, probability };
}

function normalInterval({ mean, variance }, least = -Infinity, largest = Infinity) {
  const spread = Z * Math.sqrt(variance);
  return { estimate: mean, lower: Math.min(Math.max(mean - spread, least), mean), upper: Math.max(Math.min(mean + spread, largest), mean) };
}

// The money side: analytics/src/fault_odds/economics.rs and economics_answer.rs.
const WRITE_OFF_AGE_STRENGTH = 20;
const WRITE_OFF_PLATFORM_STRENGTH = 5;
const REASON_STRENGTH = 5;
const REASONS_TOLD = 3;

function writeOff(category, platform, k, band) {
  const known = category.economics;
  const allAges = (sum(known.write_offs[k]) + 0.5) / (sum(category.counts.faults_by_age[k]) + 1);
  let share = allAges, weight = sum(category.counts.faults_by_age[k]) + 1;
  if (band != null) {
    weight = category.counts.faults_by_age[k][band] + WRITE_OFF_AGE_STRENGTH;
    share = (known.write_offs[k][band] + WRITE_OFF_AGE_STRENGTH * allAges) / weight;
  }
  const variance = share * (1 - share) / (weight + 1);
  const row = own(known.platform_write_offs, platform)?.find(([component]) => component === k);
  if (!row) return { value: share, variance };
  const [, ended, expected] = row;
  const value = Math.min(share * (ended + WRITE_OFF_PLATFORM_STRENGTH) / (expected + WRITE_OFF_PLATFORM_STRENGTH), 1);
  return { value, variance: value * value * (variance / (share * share) + 1 / (ended + WRITE_OFF_PLATFORM_STRENGTH)) };
}

function reasonsForWriteOff(known, odds, ends) {
  const all = sum(known.write_off_reasons.map(sum));
  if (all === 0) return [];
  const shares = known.reasons.map((_, position) => {
    const prior = REASON_STRENGTH * sum(known.write_off_reasons.map(row => row[position])) / all;
    return sum(known.write_off_reasons.map((row, k) =>
      odds[k].estimate * ends[k].value * (row[position] + prior) / (sum(row) + REASON_STRENGTH)));
  });
  const total = sum(shares);
  return known.reasons.map((reason, position) => ({ reason, share: shares[position] / total }))
    .sort((a, b) => comparable(b.share) - comparable(a.share)).slice(0, REASONS_TOLD);
}

function partsFor(category, model, k) {
  const keys = category.keys ??= Object.keys(category.models).sort();
  const at = model == null ? -1 : keys.indexOf(model);
  return {
    component: category.components[k],
    prices: category.economics.prices[k],
    numbers: category.economics.part_numbers.filter(part => at >= 0 && part.component === k && part.models.includes(at))
      .map(part => ({ number: part.number, also_in: part.models.filter(other => other !== at).map(other => keys[other]) })),
  };
}

function economicsOf(category, asked, band, odds, likeliest) {
  const known = category.economics;
  const costs = odds.map((probability, k) => ({ probability, cost: known.costs[k] })).filter(({ cost }) => cost)
    .map(({ probability, cost }) => ({ probability, value: cost.mean, variance: cost.standard_error ** 2 }));
  const cost = meanOverOdds(costs);
  const ends = odds.map((_, k) => writeOff(category, asked.platform, k, band));
  const end = meanOverOdds(odds.map((probability, k) => ({ probability, ...ends[k] })));
  const costToFix = cost && normalInterval(cost, 0);
  const catalogue = own(category.models, asked.model)?.price_new ?? null;
  const price = asked.price_new ?? catalogue;
  const priceNew = price > 0 ? price : null;
  const margin = asked.value_mended - (cost?.mean ?? 0), mended = 1 - (end?.mean ?? 0);
  return {
    cost_to_fix: costToFix,
    cost_known_for: cost?.probability ?? 0,
    write_off: end && normalInterval(end, 0, 1),
    write_off_reasons: reasonsForWriteOff(known, odds, ends),
    price_new: priceNew,
    cost_to_price_new: costToFix && priceNew && { estimate: costToFix.estimate / priceNew, lower: costToFix.lower / priceNew, upper: costToFix.upper / priceNew },
    worth_as_it_stands: asked.value_mended == null || !cost || !end ? null
      : normalInterval({ mean: mended * margin, variance: margin * margin * end.variance + mended * mended * cost.variance }),
    parts: likeliest.map(k => partsFor(category, asked.model, k)),
    donor: own(known.donors, asked.platform),
  };
}

/** The fewest edits (swaps of neighbours too) between two words, or more than `most`. */
function editDistance(a, b, most) {
  if (Math.abs(a.length - b.length) > most) return most + 1;
  const rows = [Array.from({ length: b.length + 1 }, (_, j) => j)];
  for (let i = 1; i <= a.length; i++) {
    rows[i] = [i];
    for (let j = 1; j <= b.length; j++) {
      const swap = i > 1 && j > 1 && a[i - 1] === b[j - 2] && a[i - 2] === b[j - 1] ? rows[i - 2][j - 2] + 1 : Infinity;
      rows[i][j] = Math.min(rows[i - 1][j] + 1, rows[i][j - 1] + 1, rows[i - 1][j - 1] + (a[i - 1] === b[j - 1] ? 0 : 1), swap);
    }
  }
  return rows[a.length][b.length];
}

/** Reads emergencies out of what a customer says, by the rules and in the steps of schemas/src/emergencies.rs. */
function emergencyReader(rules) {
  const compiled = list => list.map(({ pattern, ...about }) => ({ ...about, expression: new RegExp(pattern, 'g') }));
  const ordinary = compiled(rules.ordinary), emergency = compiled(rules.emergency), known = new Set(rules.known);

  function putRight(word) {
    if (word.length < 5 || known.has(word)) return word;
    let best = null;
    for (const spelt of rules.spelt) {
      const allowed = Math.min(spelt.length, word.length) >= 9 ? 2 : 1;
      const distance = spelt.length < 5 ? allowed + 1 : editDistance(word, spelt, allowed);
      if (distance <= allowed && (!best || distance < best.distance)) best = { distance, spelt };
    }
    return best?.spelt ?? word;
  }

  function wordsOf(text) {
    const words = [];
    let word = '';
    for (const character of `${text} `) {
      if (/[a-zA-Z0-9]/.test(character)) word += character.toLowerCase();
      else if (/[\p{Alphabetic}\p{N}]/u.test(character)) word += 'x';
      else if (!"'\u2019\u2018`".includes(character)) {
        if (word !== '') words.push(putRight(word));
        word = '';
        if (',.;:!?()\n\r\u2013\u2014"+'.includes(character) && words.length > 0 && words.at(-1) !== ',') words.push(',');
      }
    }
    return words.map(word => ` ${word}`).join('');
  }

  return (text, category) => {
    const holds = rule => !category || (rule.categories.length === 0 || rule.categories.includes(category)) && !rule.except.includes(category);
    let words = wordsOf(text);
    for (const { categories, expression } of ordinary) {
      if (categories.length === 0 || categories.includes(category)) words = words.replace(expression, ' ,');
    }
    const found = [...new Set(emergency.filter(rule => holds(rule) && words.search(rule.expression) >= 0).map(rule => rule.symptom))];
    const replaced = found.flatMap(key => own(rules.instead_of, key) ?? []);
    return found.filter(key => !replaced.includes(key));
  };
}

/** Answers questions from the embedded counts. */
function technician(data) {
  const { odds, words } = data;
  const prepared = new Map();
  const categoryOf = key => odds.categories.find(category => category.key === key);

  function prepare(category) {
    if (!prepared.has(category.key)) prepared.set(category.key, categoryOdds(category, odds.settings));
    return prepared.get(category.key);
  }

  function ageBand(age) {
    if (age == null) return null;
    const position = odds.age_band_edges.findLastIndex(edge => age >= edge);
    return position < 0 ? null : position;
  }

  function orderOf(category, answers) {
    const minutes = key => own(words.components, key)?.check_minutes || DEFAULT_CHECK_MINUTES;
    const subunit = key => own(words.components, key)?.subunit ?? key;
    const subunits = [...new Set(category.components.map(subunit))];
    const shortest = subunits.map(key => Math.min(...category.components.filter(c => subunit(c) === key).map(minutes)));
    const opening = shortest.map(shortest => shortest * OPENING_PART);
    const checks = category.components.map((key, k) => {
      const group = subunits.indexOf(subunit(key));
      return { probability: answers[k].estimate, minutes: minutes(key) - opening[group], group, live: own(words.components, key)?.check !== 'dead' };
    });
    const order = deadChecksFirst(checks, opening);
    const steps = order.steps.map(({ position, ...step }) => ({ component: category.components[position], subunit: subunit(category.components[position]), ...step }));
    return { checks: steps, expected_minutes: order.expected_minutes, dead_first_minutes: order.dead_first_minutes };
  }

  /** Keys of the cautions for a machine and for components to be checked in it: `cautions_for` in schemas/src/vocabulary.rs. */
  function cautionsFor(asked, components) {
    const settled = own(odds.designs, asked.model) ?? [];
    const traits = words.traits.filter(known => known.categories.includes(asked.category) && !settled.includes(known.absent_if));
    const made = asked.age_years == null ? -Infinity : Number(odds.as_of.slice(0, 4)) - asked.age_years - 1;
    const keys = new Set([...own(words.category_cautions, asked.category) ?? [], ...traits.flatMap(known => known.cautions),
      ...asked.symptoms.flatMap(key => own(words.symptom_cautions, key) ?? []), ...components.flatMap(key => own(words.components, key)?.cautions ?? [])]);
    return words.cautions.filter(caution => (caution.always || keys.has(caution.key)) && (caution.made_before == null || made < caution.made_before))
      .map(caution => caution.key);
  }

  const ofCategory = (list, category) => list.filter(one => one.categories.length === 0 || one.categories.includes(category)).map(one => one.key);

  function answer(asked) {
    const category = categoryOf(asked.category);
    const said = saidOf(category, asked);
    const groups = [own(category.brands, asked.brand), own(category.platforms, asked.platform), own(category.models, asked.model)];
    const band = ageBand(asked.age_years);
    const answers = probabilities(prepare(category), groups, band, said);
    const order = orderOf(category, answers);
    const byOdds = category.components.map((_, k) => k).sort((a, b) => comparable(answers[b].estimate) - comparable(answers[a].estimate));
    const likely = category.components.map((component, k) => ({ component, probability: answers[k] }))
      .sort((a, b) => comparable(b.probability.estimate) - comparable(a.probability.estimate));
    const reached = order.checks.findIndex(step => step.probability_found >= MOST_OF_IT);
    const toMost = reached < 0 ? order.checks.length : reached + 1;
    const likeliest = likely.slice(0, FAULTS_WITH_CONSEQUENCES).map(({ component }) => component);
    const of = known => likeliest.flatMap(component => known.filter(found => found.component === component));
    const total = group => group && sum(group.jobs.map(([, jobs]) => jobs));
    const inBand = row => band == null ? sum(row) : row[band];
    return {
      emergencies: asked.symptoms.filter(key => own(words.emergencies, key)),
      asked,
      first_looks: ofCategory(words.first_looks, asked.category),
      closing_tests: ofCategory(words.closing_tests, asked.category),
      basis: {
        model_jobs: total(groups[2]),
        platform_jobs: total(groups[1]),
        brand_jobs: total(groups[0]),
        category_jobs: sum(category.counts.faults_by_age.map(sum)),
        age_band_jobs: sum(category.counts.faults_by_age.map(inBand)),
      },
      age_band: band == null ? null : [odds.age_band_edges[band], odds.age_band_edges[band + 1] ?? null],
      odds: likely,
      mentions: said ? mentionsOf(category, said, answers) : [],
      unknown_words: said?.unknown ?? 0,
      ...order,
      checks_to_90_percent: toMost,
      consequences: of(category.consequences).filter(found => found.lift_lower > 1),
      repair_scopes: of(category.repair_scopes),
      economics: economicsOf(category, asked, band, answers, byOdds.slice(0, FAULTS_WITH_CONSEQUENCES)),
      cautions: cautionsFor(asked, order.checks.slice(0, toMost).map(step => step.component)),
    };
  }

  // Finding a model: letters and digits in capitals, as in analytics/src/fault_odds/search.rs.
  const compact = text => [...text].filter(character => /[\p{L}\p{N}]/u.test(character)).join('').toUpperCase();
  const isRegion = rest => /^[A-Z]{2,3}$/.test(rest);
  let index = null;

  function models() {
    index ??= odds.categories.flatMap(category => Object.entries(category.models).map(([key, model]) => {
      const number = model.brand && key.startsWith(model.brand) ? key.slice(model.brand.length) : key;
      return { category: category.key, key, brand: model.brand, platform: model.platform, spellings: [compact(number), compact(key)] };
    }));
    return index;
  }

  function findModels(text) {
    const asked = compact(text);
    const long = asked.length >= SHORTEST_PART;
    const ways = [
      spelling => spelling === asked,
      spelling => asked.startsWith(spelling) && isRegion(asked.slice(spelling.length)),
      spelling => long && spelling.startsWith(asked),
      spelling => long && spelling.includes(asked),
    ];
    for (const fits of ways) {
      const found = models().filter(model => model.spellings.some(fits));
      if (found.length > 0) return found;
    }
    return [];
  }

  return { answer, findModels, categoryOf, readEmergencies: emergencyReader(words.emergency_rules) };
}
