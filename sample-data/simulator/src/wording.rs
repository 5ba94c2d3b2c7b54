//! What is written on the job sheet besides numbers.

use crate::records::{Finding, Role, Term};
use crate::world::World;
use rand::{Rng, RngExt, seq::IndexedRandom};

const NOTES: [&str; 11] = [
    "Stairs, no lift.\nNeeds two to carry",
    "Tight space, machine boxed in under worktop",
    "Isolation valve stiff",
    "Left on soak test, all fine",
    "Told customer to clean filter monthly",
    "Second-hand part, three months guarantee",
    "Access by rear lane only",
    "Limescale heavy",
    "Floor uneven, feet adjusted",
    "Machine overloaded, advised customer",
    "Price agreed before work",
];

impl World {
    pub(crate) fn draw_symptoms<R: Rng>(&self, category: usize, component: Option<usize>, rng: &mut R) -> Vec<Term> {
        let all = &self.categories[category].symptoms;
        let recording = &self.scenario.recording;
        let mut symptoms = Vec::new();
        let draws = 1 + usize::from(rng.random_bool(recording.second_symptom));
        for _ in 0..draws {
            let of_component = component.filter(|_| !rng.random_bool(recording.unrelated_symptom)).map(|c| {
                let info = &self.components[c];
                info.symptoms_in.iter().find(|(within, _)| *within == category).map_or(&info.symptoms, |(_, weights)| weights)
            });
            match of_component {
                Some(weights) => symptoms.push(weights.draw(rng).clone()),
                None => symptoms.extend(all.choose(rng).cloned()),
            }
        }
        symptoms.sort();
        symptoms.dedup();
        symptoms
    }

    pub(crate) fn findings<R: Rng>(&self, found: &[(usize, Role)], rng: &mut R) -> Vec<Finding> {
        let mut findings = Vec::with_capacity(found.len());
        for (place, &(component, role)) in found.iter().enumerate() {
            let info = &self.components[component];
            let failure_mode = info.failure_modes.choose(rng).unwrap_or(&info.failure_modes[0]).clone();
            findings.push(Finding {
                step: place as u32 + 1,
                component: info.key.clone(),
                evidence: if rng.random_bool(0.6) { Some(evidence_of(&failure_mode)) } else { None },
                failure_mode,
                role,
                caused_by_step: (role == Role::Consequential).then_some(1),
            });
        }
        findings
    }

    pub(crate) fn fault_text<R: Rng>(&self, symptoms: &[Term], components: &[Term], rng: &mut R) -> Option<String> {
        if !rng.random_bool(0.4) {
            return None;
        }
        let words = |terms: &[Term]| terms.iter().map(|t| t.replace('_', " ")).collect::<Vec<_>>().join(", ");
        let reported = if symptoms.is_empty() { "nothing written down".to_owned() } else { words(symptoms) };
        Some(if components.is_empty() {
            format!("Reported: {reported}. Ran full programme, no fault found.")
        } else {
            format!("Reported: {reported}. Found: {} faulty.", words(components))
        })
    }

    pub(crate) fn cause<R: Rng>(&self, findings: &[Finding], rng: &mut R) -> Option<&'static str> {
        let mode = &findings.first()?.failure_mode;
        if !rng.random_bool(0.35) {
            return None;
        }
        let causes: &[&'static str] = match &**mode {
            "blocked" => &["foreign object", "limescale", "fluff"],
            "burnt" | "short_circuit" | "earth_fault" => &["moisture", "overload", "wear"],
            "torn" | "broken" => &["handling", "wear", "overloading"],
            "corroded" | "leaking" => &["moisture", "wear", "limescale"],
            _ => &["wear", "age", "overloading"],
        };
        causes.choose(rng).copied()
    }

    /// A note; some carry a phone number, postcode or e-mail address that nobody has.
    pub(crate) fn note<R: Rng>(&self, machine: u64, rng: &mut R) -> Option<String> {
        let recording = &self.scenario.recording;
        if !rng.random_bool(recording.has_note) {
            return None;
        }
        let note = (*NOTES.choose(rng)?).to_owned();
        if !rng.random_bool(recording.note_has_contact) {
            return Some(note);
        }
        Some(match rng.random_range(0..4) {
            // Numbers set aside by the British regulator for drama: 01632 960xxx and 07700 900xxx (from memory).
            0 => format!("{note}. Ring first 01632 960{:03}", rng.random_range(0..1000)),
            1 => format!("{note}. Text 07700 900{:03} when done", rng.random_range(0..1000)),
            // No British postcode area is called XQ (from memory).
            2 => format!("{note}. Deliver to XQ{} {}LP", rng.random_range(1..10), rng.random_range(1..10)),
            _ => format!("{note}. Invoice to flat{}@example.org", machine % 90 + 1),
        })
    }
}

fn evidence_of(failure_mode: &str) -> &'static str {
    match failure_mode {
        "worn" => "play felt by hand",
        "open_circuit" => "meter: open circuit",
        "short_circuit" | "earth_fault" => "insulation test failed",
        "burnt" => "burn marks seen",
        "leaking" => "water traces",
        "blocked" => "taken apart, blocked",
        "seized" => "does not turn by hand",
        "no_output" => "no output measured",
        _ => "seen",
    }
}
