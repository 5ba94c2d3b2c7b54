use fixodds_reports::charts::{IntervalPlot, IntervalRow, Look, Plot};
use fixodds_reports::document::{
    Block, Cell, Chart, Column, Document, Fact, Fold, KeyFigure, Method, Quantity, Reader, Section, Standing, Table, Unit,
};
use fixodds_reports::exporters::Format;

pub fn tiny_document() -> Document {
    let share = Quantity::new(0.34, Unit::Share).between(0.29, 0.39);
    let table = Table {
        caption: "Models".to_owned(),
        columns: vec![
            Column::text("Model"),
            Column::number("Jobs"),
            Column::number_in("Rate", "per 100 machine-years"),
            Column::text("Verdict"),
        ],
        rows: vec![
            vec![
                Cell::Text("A|B <i>".to_owned()),
                Cell::Count(1412),
                Cell::Quantity(Quantity::new(0.032, Unit::PerMachineYear).between(0.021, 0.046)),
                Cell::Verdict(Standing::Worse, "fails more often than its kind".to_owned()),
            ],
            vec![
                Cell::Text("C*D".to_owned()),
                Cell::Nothing,
                Cell::Missing("cannot be estimated because there are 2 events".to_owned()),
                Cell::Verdict(Standing::NotEnoughEvidence, "not enough evidence".to_owned()),
            ],
        ],
        notes: vec!["A remark.".to_owned()],
        when_empty: String::new(),
    };
    let empty = Table {
        caption: "Empty".to_owned(),
        columns: vec![Column::text("x")],
        rows: Vec::new(),
        notes: Vec::new(),
        when_empty: "Nothing came in.".to_owned(),
    };
    let chart = Chart {
        title: "How often".to_owned(),
        description: "Read it so.".to_owned(),
        plot: Plot::Intervals(IntervalPlot {
            unit: Unit::Share,
            rows: vec![IntervalRow { label: "Drum & <bearings>".to_owned(), quantity: Some(share.clone()), standing: None }],
            look: Look::Dots,
            reference: None,
        }),
        numbers: empty.clone(),
    };
    Document {
        title: "A tiny document".to_owned(),
        purpose: "1. Not a list.".to_owned(),
        reader: Reader::Repairer,
        facts: vec![Fact { label: "Jobs".to_owned(), text: "1,412".to_owned() }],
        sections: vec![Section {
            id: "first".to_owned(),
            heading: "First".to_owned(),
            blocks: vec![
                Block::Caution(vec!["Isolate first.".to_owned()]),
                Block::Subheading("Part".to_owned()),
                Block::Paragraph("Costs & <b>more</b>\nhere.".to_owned()),
                Block::List(vec!["one".to_owned(), "- two".to_owned()]),
                Block::KeyFigures(vec![
                    KeyFigure { label: "repaired".to_owned(), figure: Cell::Quantity(share.with_n(412)) },
                    KeyFigure { label: "returned".to_owned(), figure: Cell::Missing("no machine is known".to_owned()) },
                ]),
                Block::Table(table),
                Block::Table(empty),
                Block::Chart(Box::new(chart)),
                Block::Note("A limit.".to_owned()),
                Block::Methods(vec![Method { name: "Shares".to_owned(), text: "Wilson.".to_owned() }]),
                Block::Fold(Fold { summary: "More".to_owned(), blocks: vec![Block::Note("Inside.".to_owned())] }),
            ],
        }],
    }
}

#[test]
fn a_tiny_document_reads_as_expected() {
    let text = String::from_utf8(Format::Markdown.exporter().export(&tiny_document()).unwrap()).unwrap();
    let expected = "\
# A tiny document

1\\. Not a list.

- **Jobs:** 1,412

## First

> **Caution**
>
> - Isolate first.

### Part

Costs &amp; &lt;b&gt;more&lt;/b&gt; here.

- one
- \\- two

- **repaired:** 34\u{a0}% (29–39\u{a0}%), n\u{a0}=\u{a0}412
- **returned:** not estimated (no machine is known)

*Models*

| Model | Jobs | Rate (per 100 machine-years) | Verdict |
| :--- | ---: | ---: | :--- |
| A\\|B &lt;i&gt; | 1,412 | 3.2 (2.1–4.6) | ▲ fails more often than its kind |
| C\\*D | – | not estimated (a) | ? not enough evidence |

(a) Cannot be estimated because there are 2 events.

A remark.

Nothing came in.

**How often.** Read it so.

Nothing came in.

> A limit.

**Shares.** Wilson.

**More**

> Inside.
";
    assert_eq!(text, expected);
}
