// The page: what is asked on top, the answer below, worked out anew at every change. All text is set as text, never as markup.
'use strict';

const data = JSON.parse(document.getElementById('data').textContent);
const answers = technician(data);
const MOST_FOUND = 6;
const MOST_ODDS = 8;
const MOST_CHECKS = 12;
const MOST_LIVE_CHECKS = 6;
const MOST_MODELS = 4;
const MOST_DONOR_PARTS = 3;
const HIGHEST_AGE_YEARS = 40;

const at = id => document.getElementById(id);
const state = { category: '', brand: null, platform: null, model: null, symptoms: new Set(), qualified: '' };

function element(name, text, properties = {}) {
  const made = document.createElement(name);
  if (text != null) made.textContent = text;
  return Object.assign(made, properties);
}

const percent = (share, digits = 0) => share > 0 && share < 0.005 && digits === 0 ? 'under 1 %' : `${(share * 100).toFixed(digits)} %`;
const money = amount => {
  const sign = { GBP: '£', EUR: '€' }[data.odds.currency] ?? `${data.odds.currency} `;
  return `${amount < 0 ? '−' : ''}${sign}${Math.abs(amount).toFixed(0)}`;
};
const moneyRange = range => `${money(range.estimate)} (${money(range.lower)} to ${money(range.upper)})`;
const range = share => `${percent(share.estimate)} (${(share.lower * 100).toFixed(0)} to ${(share.upper * 100).toFixed(0)})`;
const capital = text => text.charAt(0).toUpperCase() + text.slice(1);
const named = (list, key) => own(list, key)?.name ?? own(list, key) ?? key.replaceAll('_', ' ');
const component = key => capital(named(data.words.components, key));

/** An emergency stays one whatever machine it turns out to be. */
const urgentOf = symptoms => new Set([...symptoms].filter(key => own(data.words.emergencies, key)));

function choose(model) {
  Object.assign(state, { category: model.category, brand: model.brand, platform: model.platform, model: model.key, symptoms: urgentOf(state.symptoms) });
  at('model').value = model.key;
  at('category').value = model.category;
  at('found').replaceChildren();
  at('found-note').textContent = '';
  showSymptoms();
  show();
}

function search() {
  const text = at('model').value;
  Object.assign(state, { brand: null, platform: null, model: null });
  const found = text.trim() === '' ? [] : answers.findModels(text);
  at('found').replaceChildren(...found.slice(0, MOST_FOUND).map(model => {
    const button = element('button', model.key, { type: 'button' });
    button.append(element('small', named(data.words.categories, model.category)));
    button.addEventListener('click', () => choose(model));
    const item = element('li');
    item.append(button);
    return item;
  }));
  at('found-note').textContent = text.trim() === '' ? ''
    : found.length === 0 ? 'No such model on record. Choose the kind of machine below.'
    : found.length > MOST_FOUND ? `${found.length} models fit; go on typing.` : '';
  show();
}

/** Emergencies that may be ticked: those of the category, or all where it is not known. */
const emergenciesOf = category => Object.keys(data.words.emergencies).filter(key => {
  const only = data.words.emergency_categories[key];
  return only.length === 0 || category === '' || only.includes(category);
});

function showSymptoms() {
  const category = answers.categoryOf(state.category);
  const urgent = emergenciesOf(state.category);
  const others = (category?.symptoms ?? []).filter(key => !own(data.words.emergencies, key));
  at('symptoms').replaceChildren(...[...urgent, ...others].map(key => {
    const label = element('label', null, { className: own(data.words.emergencies, key) ? 'urgent' : '' });
    const box = element('input', null, { type: 'checkbox', value: key, checked: state.symptoms.has(key) });
    box.addEventListener('change', () => {
      if (box.checked) state.symptoms.add(key); else state.symptoms.delete(key);
      show();
    });
    label.append(box, element('span', named(data.words.symptoms, key)));
    return label;
  }));
}

/** An amount of money typed, or none. */
function amount(id) {
  const typed = at(id).value === '' ? NaN : Number(at(id).value);
  return typed >= 0 && typed <= 1e6 ? typed : null;
}

/** Emergencies that were ticked, or that the words typed tell of. */
function emergenciesNow() {
  const said = ['words', 'model'].flatMap(id => answers.readEmergencies(at(id).value, state.category));
  return Object.keys(data.words.emergencies).filter(key => state.symptoms.has(key) || said.includes(key));
}

/** What to do now comes before everything; the odds only after somebody says that they are qualified. */
function showEmergencies(found) {
  const isNew = at('emergency').hidden && found.length > 0;
  at('emergency').hidden = found.length === 0;
  at('advice').replaceChildren(...found.flatMap(key => {
    const { now, until, qualified } = data.words.emergencies[key];
    const steps = element('ol');
    steps.append(...now.map(step => element('li', step)));
    return [element('h3', named(data.words.symptoms, key)), steps, element('p', until, { className: 'stop' }),
      element('p', `Whoever looks for the fault: ${qualified}. Nobody else.`)];
  }));
  const isSettled = state.qualified === found.join();
  at('qualified').hidden = found.length === 0 || isSettled || state.category === '';
  at('only-qualified').hidden = found.length === 0;
  at('only-qualified').textContent = `Only for ${[...new Set(found.map(key => data.words.emergencies[key].qualified))].join('; ')}.`;
  if (isNew) window.scrollTo(0, 0);
  return found.length === 0 || isSettled;
}

/** The question as it stands; symptoms sorted, as the command does. */
function asked() {
  const age = at('age').value === '' ? null : Number(at('age').value);
  const sensible = age != null && age >= 0 && age <= HIGHEST_AGE_YEARS;
  return {
    category: state.category, brand: state.brand, platform: state.platform, model: state.model,
    age_years: sensible ? age : null, price_new: amount('price-new'), value_mended: amount('value-mended'),
    symptoms: [...new Set([...state.symptoms, ...emergenciesNow()])].sort(), words: wordsOf(at('words').value),
  };
}

function show() {
  const known = state.category !== '';
  const mayGoOn = showEmergencies(emergenciesNow());
  at('answer').hidden = !known || !mayGoOn;
  at('start').hidden = known;
  const age = at('age').value;
  at('age-note').textContent = age !== '' && !(Number(age) >= 0 && Number(age) <= HIGHEST_AGE_YEARS) ? 'That age cannot be; it does not count.' : '';
  if (!known) return;
  const answer = answers.answer(asked());
  at('machine').textContent = machine(answer.asked);
  at('basis').textContent = basis(answer);
  at('cautions').replaceChildren(...data.words.cautions.filter(caution => answer.cautions.includes(caution.key)).map(caution => {
    const item = element('li');
    item.append(element('strong', `${caution.name}. `), caution.text);
    return item;
  }));
  at('words-note').textContent = answer.unknown_words ? `Words that no record tells anything of: ${answer.unknown_words}.` : '';
  showOdds(answer);
  const lines = (list, keys) => list.filter(one => keys.includes(one.key)).map(one => {
    const item = element('li');
    item.append(element('strong', `${one.name}. `), one.text);
    return item;
  });
  at('looks').replaceChildren(...lines(data.words.first_looks, answer.first_looks));
  at('closing').replaceChildren(...lines(data.words.closing_tests, answer.closing_tests));
  showChecks(answer);
  showConsequences(answer);
  showEconomics(answer.economics);
  at('skill').textContent = skill(answer.asked.category);
}

function machine(asked) {
  const kind = asked.model ?? asked.brand;
  const said = asked.symptoms.map(key => named(data.words.symptoms, key).toLowerCase());
  const age = asked.age_years == null ? 'age not known' : `${asked.age_years} years old`;
  return `${capital(named(data.words.categories, asked.category))}${kind ? ` ${kind}` : ''}, ${age}: ${said.length ? said.join(', ') : 'no symptom chosen'}`;
}

function basis({ asked, basis, age_band }) {
  const levels = [[asked.model, basis.model_jobs, 'on this model'], [asked.platform, basis.platform_jobs, 'on its platform'],
    [asked.brand, basis.brand_jobs, 'of the brand'], [true, basis.category_jobs, 'in its category']].filter(([level]) => level);
  const parts = levels.map(([, jobs, place], position) => `${jobs ?? 0}${position === 0 ? ' jobs' : ''} ${place}`);
  const age = age_band == null ? '' : `; ${basis.age_band_jobs} at ${age_band[0]} ${age_band[1] == null ? 'years or more' : `to ${age_band[1]} years`}`;
  return `From ${parts.join(', ')}${age}. Records to ${data.odds.as_of}.`;
}

function showOdds(answer) {
  at('odds').replaceChildren(...answer.odds.slice(0, MOST_ODDS).map(likely => {
    const row = element('tr');
    const share = element('td');
    const bar = element('span', null, { className: 'bar' });
    bar.setAttribute('aria-hidden', 'true');
    bar.style.inlineSize = percent(likely.probability.estimate, 1).replace(' ', '');
    share.append(element('b', percent(likely.probability.estimate)), bar);
    const { lower, upper } = likely.probability;
    row.append(element('th', component(likely.component), { scope: 'row' }), share, element('td', `${(lower * 100).toFixed(0)} to ${(upper * 100).toFixed(0)} %`));
    return row;
  }));
  const rest = sum(answer.odds.slice(MOST_ODDS).map(likely => likely.probability.estimate));
  at('rest').textContent = `Anything else: ${percent(rest, 1)}. Ranges hold the true probability with 95 % confidence.`;
  const told = answer.mentions.map(found => `${found.is_symptom ? named(data.words.symptoms, found.said).toLowerCase() : found.said} × ${found.odds_ratio.toFixed(2)}`);
  at('said').textContent = told.length ? `What was said multiplies the odds of ${component(answer.odds[0].component).toLowerCase()}: ${told.join(', ')}.` : '';
}

function showChecks(answer) {
  const needed = answer.checks.slice(0, answer.checks_to_90_percent);
  const dead = needed.filter(step => !step.live), live = needed.filter(step => step.live);
  at('checks').replaceChildren(...checkItems(dead, MOST_CHECKS, 'dead'));
  at('live-checks').replaceChildren(...checkItems(live, MOST_LIVE_CHECKS, 'live'));
  at('live').hidden = live.length === 0;
  at('minutes').textContent = `${answer.expected_minutes.toFixed(0)} minutes on average; ${answer.checks_to_90_percent} checks reach 90 %. Doing all dead checks before live ones costs ${answer.dead_first_minutes.toFixed(0)} of these minutes, and is worth it. Times are common practice, no source.`;
}

/** The first checks one by one, the others of their kind in one line. */
function checkItems(steps, most, kind) {
  const shown = steps.slice(0, most), rest = steps.slice(most);
  const items = shown.map((step, position) => {
    const item = element('li');
    if (position === 0 || shown[position - 1].subunit !== step.subunit) {
      item.append(element('small', `${step.opens ? 'Get at' : 'Back to'}: ${named(data.words.subunits, step.subunit)}`));
    }
    item.append(element('b', component(step.component)), element('span', ` ${step.minutes.toFixed(0)} minutes; found by then ${percent(step.probability_found)}`));
    return item;
  });
  if (rest.length > 0) {
    const taken = sum(rest.map(step => step.minutes));
    items.push(element('li', `${rest.length} more ${kind} ${rest.length === 1 ? 'check' : 'checks'}, ${taken.toFixed(0)} minutes; found by then ${percent(rest.at(-1).probability_found)}`));
  }
  return items;
}

function showConsequences(answer) {
  const damage = answer.consequences.map(found =>
    element('li', `${component(found.component)} at fault: ${component(found.damaged).toLowerCase()} damaged with it in ${range(found.share)} of ${found.jobs} jobs.`));
  const replaced = { both_replaced: 'both were replaced', consequential_only: 'only the damaged part was replaced', primary_only: 'only the cause was replaced' };
  const returns = answer.repair_scopes.filter(found => found.roster_only).map(found =>
    element('li', `${component(found.component)}: where ${replaced[found.replaced] ?? found.replaced}, ${range(found.returned)} of ${found.jobs} repairs came back with it within a year.`));
  at('with').hidden = damage.length === 0;
  at('damage').replaceChildren(...damage, ...(damage.length ? returns : []));
}

function showEconomics(found) {
  const lines = [];
  lines.push(found.cost_to_fix == null ? 'What mending costs is not on record.'
    : `Labour and parts, if it is mended: ${moneyRange(found.cost_to_fix)} on average, over faults that make up ${percent(found.cost_known_for)} of the odds.`);
  if (found.cost_to_price_new) lines.push(`That is ${range(found.cost_to_price_new)} of its price new, ${money(found.price_new)}.`);
  if (found.write_off) {
    const why = found.write_off_reasons.map(({ reason, share }) => `${named(data.words.reasons, reason).toLowerCase()} ${percent(share)}`);
    lines.push(`It ends as a write-off with a probability of ${range(found.write_off)}${why.length ? `; of such: ${why.join(', ')}` : ''}.`);
  }
  const worth = found.worth_as_it_stands;
  if (worth) {
    const verdict = worth.upper < 0 ? 'not worth mending for sale' : worth.lower > 0 ? 'worth mending for sale below that' : 'too close to call';
    lines.push(`As it stands, to somebody who mends and sells it, it is worth ${moneyRange(worth)}: ${verdict}.`);
  }
  for (const part of found.parts) {
    const prices = Object.entries(part.prices).map(([origin, price]) => `${named(data.words.origins, origin).toLowerCase()} ${money(price.median)} (n = ${price.parts})`);
    if (prices.length) lines.push(`${component(part.component)}, median price of a piece: ${prices.join(', ')}.`);
    for (const { number, also_in } of part.numbers) {
      const shown = also_in.slice(0, MOST_MODELS).join(', ');
      const more = also_in.length > MOST_MODELS ? ` and ${also_in.length - MOST_MODELS} more` : '';
      lines.push(`Part number ${number}${also_in.length ? `, also fitted to ${shown}${more}` : ''}.`);
    }
  }
  if (found.donor) lines.push(donorLine(found.donor));
  at('economics').replaceChildren(...lines.map(line => element('li', line)));
}

function donorLine({ machines, worth, verdict, parts }) {
  const condemned = `${machines} condemned in three years`;
  if (parts.length === 0) return `A condemned machine of this platform (${condemned}): no used part pays the time to take it out.`;
  const told = parts.slice(0, MOST_DONOR_PARTS).map(part => `${component(part.component).toLowerCase()} ${moneyRange(part.worth)}`);
  const called = { strip: 'worth stripping', leave: 'not worth stripping' }[verdict] ?? 'too close to call';
  return `What one more condemned machine of this platform yields in used parts, less the time to strip it: ${moneyRange(worth)}: ${called} (${condemned}). Worth taking out: ${told.join(', ')}.`;
}

function skill(category) {
  const find = (predictor, statistic) => data.odds.skill.find(row => row.category === category && row.predictor === predictor && row.statistic === statistic);
  const [first, three, base, gain] = [['fault_odds', 'top_1'], ['fault_odds', 'top_3'], ['base_frequencies', 'top_3'], ['without_symptoms', 'log_loss_gain']].map(pair => find(...pair));
  const cannot = 'How good these odds are cannot be measured yet: that takes records of more than twelve months.';
  if (![first, three, base].every(row => row?.estimated.Ok)) return cannot;
  const told = `Of ${first.jobs} jobs of the last year, told the year before, the fault was the first named in ${range(first.estimated.Ok)}, among three in ${range(three.estimated.Ok)} (by base frequencies ${range(base.estimated.Ok)}).`;
  const helps = gain?.estimated.Ok;
  const symptoms = helps == null ? 'Whether symptoms help cannot be told yet.'
    : helps.lower > 0 ? 'Symptoms as recorded tell faults apart.'
    : helps.upper < 0 ? 'Symptoms as recorded mislead: the odds are better without them.'
    : 'Symptoms as recorded carry no information on the fault that could be shown.';
  return `${told} ${symptoms}`;
}

function start() {
  at('category').append(...data.odds.categories.filter(category => sum(category.counts.faults_by_age.map(sum)) > 0)
    .map(category => element('option', capital(named(data.words.categories, category.key)), { value: category.key })));
  at('category').addEventListener('change', () => {
    Object.assign(state, { category: at('category').value, brand: null, platform: null, model: null, symptoms: urgentOf(state.symptoms) });
    at('model').value = '';
    at('found').replaceChildren();
    at('found-note').textContent = '';
    showSymptoms();
    show();
  });
  at('qualified').addEventListener('click', () => {
    state.qualified = emergenciesNow().join();
    show();
  });
  at('model').addEventListener('input', search);
  at('model').addEventListener('keydown', event => {
    if (event.key === 'Enter') at('found').querySelector('button')?.click();
  });
  for (const id of ['age', 'price-new', 'value-mended', 'words']) at(id).addEventListener('input', show);
  for (const [id, by] of [['younger', -1], ['older', 1]]) {
    at(id).addEventListener('click', () => {
      at('age').value = String(Math.min(HIGHEST_AGE_YEARS, Math.max(0, Math.floor(Number(at('age').value) || 0) + by)));
      show();
    });
  }
  at('print').addEventListener('click', () => window.print());
  showSymptoms();
  show();
}
start();
