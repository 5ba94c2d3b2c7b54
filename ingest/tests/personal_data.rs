//! How much of the personal data in free text is masked: invented examples, and texts that hold none.

use fixodds_ingest::privacy::mask;

/// A text and the words that must not survive. The numbers are of the ranges set aside for drama (01632, 07700 900).
const PERSONAL: [(&str, &str); 24] = [
    ("call Mrs Atherley before visit", "Atherley"),
    ("Mr. Pendlebury will be in after 3", "Pendlebury"),
    ("tel 01632 960123 first", "960123"),
    ("ring 07700 900456 on arrival", "900456"),
    ("mob: 07700900789", "07700900789"),
    ("phone +44 7700 900321", "900321"),
    ("(01632) 960 555 evenings", "960 555"),
    ("e-mail quilla@example.org with quote", "quilla"),
    ("send invoice to j.o.ferrow@example.com", "ferrow"),
    ("at 4 Mill Lane, ZZ9 9ZZ", "ZZ9 9ZZ"),
    ("postcode zz99 3vz", "3vz"),
    ("customer: Dorvane", "Dorvane"),
    ("cust name Tilbrook Ansett", "Tilbrook"),
    ("Ms Oakhanger says it leaks", "Oakhanger"),
    ("Miss Yarrowby not home", "Yarrowby"),
    ("Dr Quenby's machine", "Quenby"),
    ("tenant: Brackwith, key with agent", "Brackwith"),
    ("contact Wendmere on site", "Wendmere"),
    ("landlord Mr Hesketh-Moor pays", "Hesketh"),
    ("ask for Mrs O'Trellick", "Trellick"),
    ("tel. 01632-960-777", "960-777"),
    ("fax 01632960888", "01632960888"),
    ("name: Elspet Corrow", "Corrow"),
    ("MR VANTERPOOLE RANG", "VANTERPOOLE"),
];

const HARMLESS: [&str; 10] = [
    "brushes worn, module blown",
    "model WM7140 serial plate missing",
    "E18 on display after 20 min",
    "bearing 6205 2RS and 6206 fitted",
    "tested 3 cycles at 60 deg",
    "part no 481946818368 discontinued",
    "customer says it leaks",
    "quoted £160, declined",
    "customer refused repair",
    "motor 2.2 ohm, heater 27 ohm",
];

#[test]
fn most_personal_data_is_masked_and_little_else() {
    let missed: Vec<_> = PERSONAL.iter().filter(|(text, secret)| mask(text).contains(secret)).collect();
    let hit = PERSONAL.len() - missed.len();
    let harmed: Vec<_> = HARMLESS.iter().filter(|text| mask(text) != **text).map(|text| mask(text)).collect();
    println!("masked {hit} of {}; missed {missed:?}; harmed {harmed:?}", PERSONAL.len());
    assert!(hit * 100 >= PERSONAL.len() * 85, "{missed:?}");
    assert!(harmed.len() <= 1, "{harmed:?}");
}
