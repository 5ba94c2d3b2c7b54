//! The vocabulary: what it finds, what it refuses, and a lint over its data files.

use std::collections::BTreeSet;

use fixodds_schemas::terms::match_key;
use fixodds_schemas::vocabulary::{AtHand, Audience};
use fixodds_schemas::{List, Match, Vocabulary, VocabularyError, emergencies, normalise, vocabulary};

fn component(text: &str, category: &str) -> Match<'static> {
    vocabulary().find(List::Component, text, Some(category))
}

fn extend(text: &str) -> Result<Vocabulary, VocabularyError> {
    vocabulary().with_extension(text, "ours.toml")
}

#[test]
fn normalising_keeps_words_and_drops_the_rest() {
    for (raw, expected) in [
        ("  Door-Lock (PTC) ", "door lock ptc"),
        ("Won't  drain!", "wont drain"),
        ("won’t drain", "wont drain"),
        ("Job #", "job no"),
        ("Parts (£)", "parts £"),
        ("parts", "parts"),
        ("nuts & bolts", "nuts and bolts"),
        ("N/F/F", "n f f"),
        ("Türdichtung", "türdichtung"),
        ("", ""),
        ("?!", ""),
    ] {
        assert_eq!(normalise(raw), expected, "{raw}");
    }
}

#[test]
fn spellings_that_differ_in_form_only_share_a_match_key() {
    for group in [
        &["Drive-belts", "drive belt", "drivebelt", "DRIVE BELT"][..],
        &["N/F/F", "nff", "N.F.F."],
        &["brushes", "brush"],
        &["batteries", "battery"],
        &["switches", "switch"],
        &["glass", "glasses"],
        &["hoses", "hose"],
    ] {
        let keys: BTreeSet<String> = group.iter().map(|text| match_key(text)).collect();
        assert_eq!(keys.len(), 1, "{group:?} -> {keys:?}");
    }
    assert_ne!(match_key("parts £"), match_key("parts"));
    assert_ne!(match_key("is"), match_key("i"));
}

#[test]
fn a_word_means_what_it_means_in_that_appliance() {
    for (text, category, key) in [
        ("Belt", "washing_machine", "drive_belt"),
        ("belt", "tumble_dryer", "dryer_belt"),
        ("BELT", "vacuum_cleaner", "vacuum_belt"),
        ("heater", "washing_machine", "heating_element"),
        ("heater", "tumble_dryer", "dryer_heater"),
        ("heater", "refrigerator", "defrost_heater"),
        ("pump", "washing_machine", "drain_pump"),
        ("dump pump", "dishwasher", "drain_pump"),
        ("circulation pump", "dishwasher", "wash_pump"),
        ("circulation pump", "washing_machine", "circulation_pump"),
        ("brushes", "washing_machine", "carbon_brushes"),
        ("brush", "vacuum_cleaner", "vacuum_brush_roll"),
        ("motor brushes", "vacuum_cleaner", "carbon_brushes"),
        ("motor", "dishwasher", "wash_pump"),
        ("brgs", "washer_dryer", "drum_bearings"),
        ("bearings", "tumble_dryer", "dryer_drum_bearing"),
        ("module", "washing_machine", "main_control_board"),
        ("module", "hob", "induction_board"),
        ("P.C.B.", "dishwasher", "main_control_board"),
        ("inverter", "washing_machine", "motor_control_board"),
        ("inverter", "fridge_freezer", "compressor_inverter_board"),
        ("inverter", "microwave_oven", "microwave_inverter"),
        ("gasket", "freezer", "door_gasket"),
        ("interlock", "washing_machine", "door_lock"),
        ("interlock", "microwave_oven", "door_switch"),
        ("drum_bearings", "washing_machine", "drum_bearings"),
    ] {
        assert_eq!(component(text, category), Match::One(key), "{text} in {category}");
    }
}

#[test]
fn a_word_with_several_meanings_stays_open_without_a_category() {
    let without_category = |text| vocabulary().find(List::Component, text, None);
    assert_eq!(without_category("belt"), Match::Several(vec!["drive_belt", "dryer_belt", "vacuum_belt"]));
    assert_eq!(without_category("belt").key(), None);
    assert_eq!(without_category("magnetron"), Match::One("magnetron"));
    assert_eq!(without_category("flux capacitor"), Match::Unknown);
    assert_eq!(without_category(""), Match::Unknown);
    assert_eq!(component("magnetron", "washing_machine"), Match::Unknown);
}

#[test]
fn customers_and_workshops_are_understood() {
    for (list, text, category, key) in [
        (List::Category, "Tumble Drier", None, "tumble_dryer"),
        (List::Category, "W/M", None, "washing_machine"),
        (List::Category, "Fridge Freezers", None, "fridge_freezer"),
        (List::Symptom, "Won't drain", Some("washing_machine"), "does_not_drain"),
        (List::Symptom, "trips the RCD", None, "trips_supply"),
        (List::Symptom, "not spinning", Some("washing_machine"), "does_not_spin"),
        (List::Symptom, "not spinning", Some("tumble_dryer"), "drum_does_not_turn"),
        (List::Symptom, "not turning", Some("microwave_oven"), "turntable_does_not_turn"),
        (List::FailureMode, "worn out", None, "worn"),
        (List::FailureMode, "o/c", None, "open_circuit"),
        (List::Outcome, "Fixed", None, "repaired"),
        (List::Outcome, "B.E.R.", None, "condemned"),
        (List::Outcome, "Written-off", None, "condemned"),
        (List::Outcome, "End of life", None, "condemned"),
        (List::Outcome, "N/F/F", None, "no_fault_found"),
        (List::Outcome, "Customer refused", None, "declined"),
        (List::Outcome, "Repairable", None, "repairable"),
        (List::Outcome, "Unknown", None, "unknown"),
        (List::Reason, "No way to open product", None, "cannot_be_opened"),
        (List::Reason, "Parts no longer available", None, "part_unavailable"),
        (List::PartSource, "genuine", None, "new-original"),
        (List::PartSource, "2nd hand", None, "used"),
        (List::Role, "knock-on", None, "consequential"),
        (List::MotorType, "Induction", None, "brushless"),
        (List::YesNo, "Y", None, "yes"),
    ] {
        assert_eq!(vocabulary().find(list, text, category), Match::One(key), "{text}");
    }
}

#[test]
fn words_about_the_paperwork_say_nothing_about_the_machine() {
    for text in ["closed", "completed", "finished", "invoiced", "no", "not repaired", ""] {
        assert_eq!(vocabulary().find(List::Outcome, text, None), Match::Unknown, "{text}");
    }
}

#[test]
fn the_words_of_the_open_repair_data_standard_are_all_covered() {
    let statuses: BTreeSet<&str> = vocabulary().outcomes.iter().map(|outcome| outcome.ords_status.as_str()).collect();
    assert_eq!(statuses, BTreeSet::from(["Fixed", "Repairable", "End of life", "Unknown"]));
    let barriers: Vec<&str> = vocabulary().reasons.iter().filter_map(|reason| reason.ords_barrier.as_deref()).collect();
    assert_eq!(barriers.len(), 6);
    for reason in &vocabulary().reasons {
        if let Some(barrier) = &reason.ords_barrier {
            assert_eq!(vocabulary().find(List::Reason, barrier, None), Match::One(reason.key.as_str()), "barriers are read as written");
        }
    }
    for status in statuses {
        let key = vocabulary().find(List::Outcome, status, None).key().expect("statuses are read as written");
        assert_eq!(vocabulary().outcome(key).expect("key exists").ords_status, status);
    }
    assert_eq!(vocabulary().category_of_ords("vacuum").expect("only vacuum cleaners").key, "vacuum_cleaner");
    assert_eq!(vocabulary().category_of_ords("Large home electrical"), None, "several appliances share it");
    assert_eq!(vocabulary().category_of_ords("Toaster"), None);
}

#[test]
fn statutory_classes_follow_law_and_category() {
    let class = |component, category| vocabulary().statutory_class_of(component, category);
    let brushes = class("carbon_brushes", "washer_dryer").expect("listed");
    assert_eq!(
        (brushes.key.as_str(), brushes.audience, brushes.years_after_last_placed_on_market),
        ("motor_and_brushes", Audience::Professional, 10.0)
    );
    assert_eq!(brushes.delivery_working_days, 15);
    assert_eq!(class("door_seal", "washing_machine").expect("listed").audience, Audience::EndUser);
    assert_eq!(class("heating_element", "dishwasher").expect("listed").years_after_last_placed_on_market, 7.0);
    assert_eq!(class("spray_arm", "dishwasher").expect("listed").years_after_last_placed_on_market, 10.0);
    assert_eq!(class("door_gasket", "freezer").expect("listed").years_after_last_placed_on_market, 10.0);
    assert_eq!(class("magnetron", "microwave_oven"), None, "no law lists it");
    assert_eq!(class("motor", "tumble_dryer"), None, "no law lists it for tumble dryers");
    assert_eq!(class("motor", "toaster"), None);
}

#[test]
fn cautions_come_in_order_and_the_general_ones_always() {
    let keys = |machine: &AtHand<'_>, components: &[&str]| -> Vec<&str> {
        let components = components.iter().map(|key| vocabulary().component(key).expect("component exists"));
        vocabulary().cautions_for(machine, components).into_iter().map(|caution| caution.key.as_str()).collect()
    };
    assert_eq!(keys(&AtHand::default(), &[]), ["isolate_and_prove_dead", "local_codes_prevail"]);
    assert_eq!(
        keys(&AtHand::default(), &["high_voltage_diode", "turntable"]),
        ["isolate_and_prove_dead", "high_voltage_capacitor", "stored_charge", "microwave_leakage", "sharp_edges", "local_codes_prevail"]
    );
    // A vacuum cleaner may be cordless and may have an inverter, unless the catalogue says that its motor has brushes.
    let brushed = [fixodds_schemas::vocabulary::ModelTrait { column: "motor_type".to_owned(), value: "brushed".to_owned() }];
    let vacuum = AtHand { category: "vacuum_cleaner", ..AtHand::default() };
    assert_eq!(
        keys(&vacuum, &[]),
        ["isolate_and_prove_dead", "stored_charge", "lithium_battery", "moving_parts", "sharp_edges", "local_codes_prevail"]
    );
    assert!(!keys(&AtHand { settled: &brushed, ..vacuum }, &[]).contains(&"stored_charge"));
    // Old, or nobody says how old.
    let oven = AtHand { category: "oven", ..AtHand::default() };
    assert!(keys(&oven, &[]).contains(&"asbestos_old"));
    assert!(keys(&AtHand { made_from: Some(1995.0), ..oven }, &[]).contains(&"asbestos_old"));
    assert!(!keys(&AtHand { made_from: Some(2015.0), ..oven }, &[]).contains(&"asbestos_old"));
    // What is reported counts too.
    let trips = ["trips_supply".to_owned()];
    assert!(keys(&AtHand { symptoms: &trips, ..oven }, &[]).contains(&"earth_fault"));
}

#[test]
fn sealed_components_name_the_assembly_and_the_design() {
    for key in ["drum_bearings", "shaft_seal", "drum_spider"] {
        let component = vocabulary().component(key).expect("component exists");
        let sealed_inside = component.sealed_inside.as_ref().expect("sealed");
        assert_eq!((sealed_inside.column.as_str(), sealed_inside.value.as_str()), ("drum_design", "sealed"));
        assert_eq!(component.assembly.as_deref(), Some("drum_assembly"));
    }
    let brushes = vocabulary().component("carbon_brushes").expect("component exists").model_trait.as_ref().expect("depends on the motor");
    assert_eq!((brushes.column.as_str(), brushes.value.as_str()), ("motor_type", "brushed"));
}

#[test]
fn an_extension_adds_spellings_and_entries() {
    let extended = extend(
        r#"
        [[component]]
        key = "drum_bearings"
        synonyms = ["rumblers"]

        [[component]]
        key = "kettle_element"
        name = "Kettle element"
        subunit = "heating"
        categories = ["kettle"]
        failure_modes = ["scaled"]
        check_minutes = 3.0
        check = "dead"

        [[category]]
        key = "kettle"
        name = "kettle"
        plural = "kettles"
        cautions = ["hot_water_and_surfaces"]

        [[outcome]]
        key = "condemned"
        synonyms = ["gone to the big kitchen in the sky"]
        "#,
    )
    .expect("a valid extension");
    assert_eq!(extended.find(List::Component, "rumblers", Some("washing_machine")), Match::One("drum_bearings"));
    assert_eq!(extended.find(List::Component, "brgs", Some("washing_machine")), Match::One("drum_bearings"), "old spellings stay");
    assert_eq!(extended.find(List::Component, "kettle element", Some("kettle")), Match::One("kettle_element"));
    assert_eq!(extended.find(List::Outcome, "Gone to the big kitchen in the sky", None), Match::One("condemned"));
    assert_eq!(extended.component("drum_bearings").expect("still there").name, "Drum bearings");
    assert_eq!(vocabulary().find(List::Component, "rumblers", None), Match::Unknown, "the built-in one is untouched");

    let twice = extended.with_extension("[[category]]\nkey = \"kettle\"\nsynonyms = [\"jug\"]", "more.toml").expect("extensions add up");
    assert_eq!(twice.find(List::Category, "jug", None), Match::One("kettle"));
    assert_eq!(twice.find(List::Component, "rumblers", None), Match::One("drum_bearings"));
}

#[test]
fn a_faulty_extension_is_refused_with_the_line_and_the_remedy() {
    for (text, line, part_of_message) in [
        ("[[component]]\nkey = \"drum_bearings\"\nsynonyms = [\"belt\"]", 2, "`belt` would mean both"),
        ("\n[[component]]\nkey = \"drive_belt\"\nsynonyms = [\"brgs\"]", 3, "`brgs` would mean both"),
        ("\n\n[[component]]\nkey = \"new_part\"", 4, "is new and needs a `name`"),
        ("[[component]]\nkey = \"new_part\"\nname = \"New part\"", 2, "needs `subunit`"),
        ("[[symptom]]\nkey = \"new_one\"\nname = \"New one\"\ncategories = [\"toaster\"]", 2, "`toaster`, which does not exist"),
        ("[[component]]\nkey = \"drum\"\nfailure_modes = [\"exploded\"]", 2, "`exploded`, which does not exist"),
        ("[[component]]\nkey = \"drum\"\ntrait = \"colour=white\"", 2, "`colour=white`, which does not exist"),
        ("[[component]]\nkey = \"drum\"\ntrait = \"brushed\"", 3, "write column=value"),
        ("[[component]]\nkey = \"drum\"\nassembly = \"drum_assembly\"", 2, "belong together"),
        ("[[component]]\nkey = \"drum\"\ncheck_minutes = -1.0", 2, "`check_minutes`"),
        ("[[component]]\nkey = \"drum\"\ncheck = \"warm\"", 3, "unknown variant"),
        ("[[category]]\nkey = \"kettle\"\nname = \"kettle\"\nplural = \"kettles\"", 2, "needs `cautions`"),
        ("[[caution]]\nkey = \"bees\"\nname = \"Bees\"\ntext = \"They sting.\"", 2, "needs `source`"),
        ("[[component]]\nkey = \"drum\"\nsynonym = [\"d\"]", 3, "unknown field"),
        ("[[outcome]]\nkey = \"exploded\"\nname = \"exploded\"\nords_status = \"End of life\"", 2, "give it as a synonym of one of"),
        ("[[code]]\nlist = \"role\"\nkey = \"guilty\"\nname = \"guilty\"", 3, "give it as a synonym of one of: primary"),
        ("[[reason]]\nkey = \"Bad Key\"\nname = \"x\"", 2, "small letters"),
        ("[[reason]]\nkey = \"moon\"\nname = \"moon phase\"\nords_barrier = \"Moon\"", 2, "`Moon`, which does not exist"),
        ("[[reason]]\nname = \"moon phase\"", 1, "missing field `key`"),
        ("[[reason]]\nkey = 7", 2, "invalid type"),
        ("[[reason]\nkey = \"x\"", 1, ""),
        ("reason = 3", 1, "invalid type"),
    ] {
        let error = extend(text).expect_err(text);
        assert_eq!((error.file.as_str(), error.line), ("ours.toml", line), "{error}");
        assert!(error.message.contains(part_of_message), "{error}");
    }
    assert_eq!(
        extend("[[component]]\nkey = \"drum_bearings\"\nsynonyms = [\"belt\"]").expect_err("collides").to_string(),
        "ours.toml, line 2: `belt` would mean both `drive_belt` and `drum_bearings`; remove it from one of them"
    );
}

#[test]
fn every_category_has_at_least_eight_components() {
    for category in &vocabulary().categories {
        assert!(vocabulary().components_of(&category.key).count() >= 8, "{}", category.key);
    }
}

#[test]
fn every_key_is_unique_and_every_entry_has_words() {
    let lists: Vec<(&str, Vec<String>)> = vec![
        ("category", vocabulary().categories.iter().map(|entry| entry.key.clone()).collect()),
        ("subunit", vocabulary().subunits.iter().map(|entry| entry.key.clone()).collect()),
        ("component", vocabulary().components.iter().map(|entry| entry.key.clone()).collect()),
        ("failure_mode", vocabulary().failure_modes.iter().map(|entry| entry.key.clone()).collect()),
        ("symptom", vocabulary().symptoms.iter().map(|entry| entry.key.clone()).collect()),
        ("outcome", vocabulary().outcomes.iter().map(|entry| entry.key.clone()).collect()),
        ("reason", vocabulary().reasons.iter().map(|entry| entry.key.clone()).collect()),
        ("code", vocabulary().codes.iter().map(|entry| format!("{}/{}", entry.list.name(), entry.key)).collect()),
        ("statutory_class", vocabulary().statutory_classes.iter().map(|entry| format!("{}/{}", entry.law, entry.key)).collect()),
        ("caution", vocabulary().cautions.iter().map(|entry| entry.key.clone()).collect()),
    ];
    for (list, keys) in lists {
        assert!(!keys.is_empty(), "{list}");
        assert_eq!(keys.iter().collect::<BTreeSet<_>>().len(), keys.len(), "{list}: a key stands twice");
    }
    let meanings = (vocabulary().failure_modes.iter().map(|entry| (&entry.key, &entry.meaning)))
        .chain(vocabulary().outcomes.iter().map(|entry| (&entry.key, &entry.meaning)))
        .chain(vocabulary().reasons.iter().map(|entry| (&entry.key, &entry.meaning)))
        .chain(vocabulary().codes.iter().map(|entry| (&entry.key, &entry.meaning)))
        .chain(vocabulary().subunits.iter().map(|entry| (&entry.key, &entry.meaning)))
        .chain(vocabulary().cautions.iter().map(|entry| (&entry.key, &entry.text)));
    for (key, meaning) in meanings {
        assert!(meaning.len() > 4 && meaning.ends_with('.'), "{key}: `{meaning}` is not a sentence");
    }
    for class in &vocabulary().statutory_classes {
        assert!(class.source.contains("Regulation"), "{} {} names no source", class.law, class.key);
        assert!(class.years_after_last_placed_on_market > 0.0 && class.delivery_working_days > 0);
    }
}

#[test]
fn every_entry_of_a_list_is_used() {
    let components = &vocabulary().components;
    for subunit in &vocabulary().subunits {
        assert!(components.iter().any(|component| component.subunit == subunit.key), "no component in {}", subunit.key);
    }
    for caution in &vocabulary().cautions {
        let words = vocabulary();
        let used = components
            .iter()
            .map(|component| &component.cautions)
            .chain(words.categories.iter().map(|category| &category.cautions))
            .chain(words.traits.iter().map(|known| &known.cautions))
            .chain(words.symptoms.iter().map(|symptom| &symptom.cautions));
        assert!(caution.always || used.flatten().any(|key| *key == caution.key), "{}", caution.key);
    }
    for mode in &vocabulary().failure_modes {
        assert!(components.iter().any(|component| component.failure_modes.contains(&mode.key)), "{}", mode.key);
    }
    for class in &vocabulary().statutory_classes {
        let classed = |component: &&fixodds_schemas::vocabulary::Component| component.statutory_class.get(&class.law) == Some(&class.key);
        assert!(components.iter().any(|component| classed(&component)), "no component in {} {}", class.law, class.key);
    }
    for list in List::ALL {
        assert!(vocabulary().index(list).terms(None).next().is_some(), "{} is empty", list.name());
    }
}

/// A statutory class stands only on components of a category that the law covers.
#[test]
fn statutory_classes_stand_where_the_law_applies() {
    for component in &vocabulary().components {
        for law in component.statutory_class.keys() {
            let covered =
                component.categories.iter().any(|key| vocabulary().category(key).and_then(|category| category.law.as_ref()) == Some(law));
            assert!(covered, "{}: {law} covers none of its categories", component.key);
        }
    }
}

#[test]
fn every_spelling_leads_back_to_its_entry() {
    for list in List::ALL {
        let index = vocabulary().index(list);
        for category in std::iter::once(None).chain(vocabulary().categories.iter().map(|category| Some(category.key.as_str()))) {
            for (text, key) in index.terms(category) {
                match index.find(text, category) {
                    Match::One(found) => assert_eq!(found, key, "{text}"),
                    Match::Several(keys) => assert!(category.is_none() && keys.contains(&key), "{text} in {category:?}: {keys:?}"),
                    Match::Unknown => panic!("{text} is not found"),
                }
            }
        }
        for (text, key) in index.terms(None) {
            assert!(!match_key(text).is_empty(), "an empty spelling of {key}");
        }
    }
}

/// A spelling that only repeats another in form (case, number, spacing) is noise in the data files.
#[test]
fn no_spelling_is_given_twice() {
    for component in &vocabulary().components {
        let own = [&component.key, &component.name].map(|text| match_key(text));
        let mut seen: BTreeSet<String> = own.into_iter().collect();
        for synonym in &component.synonyms {
            assert!(seen.insert(match_key(synonym)), "{}: {synonym}", component.key);
        }
        for (category, synonyms) in &component.synonyms_in {
            let mut seen = seen.clone();
            for synonym in synonyms {
                assert!(seen.insert(match_key(synonym)), "{} in {category}: {synonym}", component.key);
            }
        }
    }
}

/// Keys that analyses, sample data and reports rely on.
#[test]
fn the_agreed_keys_exist() {
    let components = "motor carbon_brushes motor_control_board main_control_board display_board drum_bearings shaft_seal drum_spider drum \
        drum_assembly drive_belt drain_pump circulation_pump pump_filter door_lock door_seal door_hinge door_glass heating_element \
        inlet_valve inlet_hose drain_hose internal_hose pressure_switch temperature_sensor shock_absorbers suspension_springs \
        mains_filter wiring_harness detergent_drawer tachogenerator mains_cable compressor thermostat fan_motor evaporator_fan \
        condenser_fan defrost_heater door_gasket refrigerant_circuit start_relay spray_arm wash_pump dispenser rack_wheels \
        softener_unit magnetron high_voltage_capacitor high_voltage_diode turntable_motor door_switch oven_element grill_element \
        fan_oven_element oven_fan selector_switch hob_element induction_board hob_glass touch_control vacuum_motor vacuum_hose \
        vacuum_brush_roll vacuum_filter cable_rewind vacuum_battery drum_rollers jockey_pulley condenser heat_pump_unit dryer_heater \
        moisture_sensor thermal_cutout dryer_belt door_spring float_switch lamp";
    let symptoms = "drum_does_not_turn no_power trips_supply rumbling_on_spin does_not_drain does_not_fill does_not_heat leaks \
        door_does_not_open door_does_not_lock error_code noisy fire_or_smoke vibrates_on_spin does_not_spin stops_mid_cycle overfills \
        mouldy_smell not_cooling too_cold ices_up compressor_clicks does_not_dry poor_wash_result does_not_dispense sparks_inside \
        turntable_does_not_turn no_suction runs_intermittently overheats display_dead ticking_when_turned_by_hand grinding";
    let categories = "washing_machine washer_dryer tumble_dryer dishwasher refrigerator freezer fridge_freezer oven hob microwave_oven \
        vacuum_cleaner cooker";
    let outcomes = "repaired repairable condemned declined no_fault_found unknown";
    let reasons = "part_unavailable part_too_expensive cannot_be_opened no_repair_information lack_of_equipment worn_out not_economic \
        customer_declined unsafe other";
    for key in components.split_whitespace() {
        assert!(vocabulary().component(key).is_some(), "{key}");
    }
    for key in symptoms.split_whitespace() {
        assert!(vocabulary().symptom(key).is_some(), "{key}");
    }
    for key in categories.split_whitespace() {
        assert!(vocabulary().category(key).is_some(), "{key}");
    }
    for key in reasons.split_whitespace() {
        assert!(vocabulary().reason(key).is_some(), "{key}");
    }
    assert_eq!(
        vocabulary().outcomes.iter().map(|outcome| outcome.key.as_str()).collect::<Vec<_>>(),
        outcomes.split_whitespace().collect::<Vec<_>>()
    );
}

/// No spelling of an emergency is one of an ordinary symptom, and none of an ordinary symptom reads as an emergency.
#[test]
fn emergencies_and_ordinary_symptoms_are_told_apart() {
    for symptom in &vocabulary().symptoms {
        let of_category =
            symptom.synonyms_in.iter().flat_map(|(category, texts)| texts.iter().map(move |text| (text, Some(category.as_str()))));
        let general = [&symptom.key, &symptom.name].into_iter().chain(&symptom.synonyms);
        let categories: Vec<&str> = match symptom.categories[..] {
            [] => vocabulary().categories.iter().map(|category| category.key.as_str()).collect(),
            ref some => some.iter().map(String::as_str).collect(),
        };
        let general = general.flat_map(|text| categories.iter().map(move |category| (text, Some(*category))));
        for (text, category) in general.chain(of_category) {
            let read = emergencies().read(text, category);
            match symptom.emergency {
                Some(_) => assert!(read.contains(&symptom.key.as_str()), "`{text}` in {category:?}: {read:?}"),
                None => assert_eq!(read, [""; 0], "`{text}` in {category:?} is a spelling of {}", symptom.key),
            }
        }
    }
}

#[test]
fn every_advice_is_in_sentences_and_names_its_source() {
    let urgent: Vec<_> = vocabulary().symptoms.iter().filter_map(|symptom| Some((&symptom.key, symptom.emergency.as_ref()?))).collect();
    assert_eq!(
        urgent.iter().map(|(key, _)| key.as_str()).collect::<Vec<_>>(),
        ["gas_smell", "electric_shock", "fire_or_smoke", "water_near_electricity", "battery_danger", "microwave_leak"]
    );
    for (key, advice) in urgent {
        let sentences = advice.now.iter().chain([&advice.until, &advice.source]);
        assert!(sentences.clone().count() >= 5 && sentences.clone().all(|text| text.ends_with('.')), "{key}");
        assert!(!advice.qualified.is_empty(), "{key}");
    }
    for (key, source) in (vocabulary().cautions.iter().map(|entry| (&entry.key, &entry.source)))
        .chain(vocabulary().closing_tests.iter().map(|entry| (&entry.key, &entry.source)))
    {
        assert!(source.ends_with('.'), "{key}: `{source}`");
    }
}

/// Words that are put right to a word of an emergency must not be ordinary words of this vocabulary.
#[test]
fn no_word_of_the_vocabulary_is_taken_for_a_slip_of_the_finger() {
    let rules = emergencies();
    for list in List::ALL {
        for (term, key) in vocabulary().index(list).terms(None) {
            for word in term.split(' ').filter(|word| vocabulary().emergency(key).is_none() && !rules.known.contains(*word)) {
                assert_eq!(rules.put_right(word), word, "{key}");
            }
        }
    }
}
