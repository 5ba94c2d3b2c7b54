use fixodds_reports::charts::{
    self, AgeBand, CostRow, CostSpread, CurvePoint, Curves, Funnel, FunnelPoint, HeatMap, HeatRow, IntervalPlot, IntervalRow, Look, Plot,
    Reference, Series,
};
use fixodds_reports::document::{Chart, Quantity, Standing, Table, Unit};

fn chart(plot: Plot) -> Chart {
    let numbers = Table { caption: String::new(), columns: Vec::new(), rows: Vec::new(), notes: Vec::new(), when_empty: String::new() };
    Chart { title: "T <1> \"#01F100\"".to_owned(), description: "D.".to_owned(), plot, numbers }
}

fn svg(plot: Plot) -> String {
    charts::svg(&chart(plot), "c1").unwrap()
}

fn intervals(rows: Vec<IntervalRow>, look: Look) -> Plot {
    Plot::Intervals(IntervalPlot { unit: Unit::Share, rows, look, reference: Some(Reference { value: 0.3, label: "mean".to_owned() }) })
}

fn row(label: &str, quantity: Option<Quantity>) -> IntervalRow {
    IntervalRow { label: label.to_owned(), quantity, standing: None }
}

/// Values of an attribute, as numbers.
fn numbers(svg: &str, attribute: &str) -> Vec<f64> {
    svg.split(&format!(" {attribute}=\"")).skip(1).map(|rest| rest.split('"').next().unwrap().parse().unwrap()).collect()
}

#[test]
fn whatever_the_data_something_is_drawn_within_the_frame() {
    let nan = Quantity::new(f64::NAN, Unit::Share).between(f64::NEG_INFINITY, f64::INFINITY);
    let zero = Quantity::new(0.0, Unit::Share).between(0.0, 0.0);
    let huge = Quantity::new(1e300, Unit::Share).between(-1e300, 1e308);
    let odd = [None, Some(nan.clone()), Some(zero), Some(huge)];
    let point = |x: f64, y: f64| CurvePoint { x, y, interval: Some((y - 1.0, f64::INFINITY)) };
    let mut plots: Vec<Plot> = Vec::new();
    for look in [Look::Dots, Look::Bars, Look::Ratios] {
        plots.push(intervals(Vec::new(), look));
        plots.push(intervals(odd.iter().map(|quantity| row("x", quantity.clone())).collect(), look));
        plots.extend(odd.iter().map(|quantity| intervals(vec![row("x", quantity.clone())], look)));
    }
    for stepped in [true, false] {
        for points in [
            vec![],
            vec![point(0.0, 0.0)],
            vec![point(f64::NAN, 1.0), point(2.0, f64::INFINITY)],
            vec![point(-3.0, -4.0), point(1e300, 1e-300)],
        ] {
            plots.push(Plot::Curves(Curves {
                unit: Unit::Number,
                x_label: "age".to_owned(),
                series: vec![Series { label: "s".to_owned(), points }],
                stepped,
            }));
        }
    }
    plots.push(Plot::HeatMap(HeatMap { unit: Unit::PerMachineYear, bands: Vec::new(), rows: Vec::new() }));
    plots.push(Plot::HeatMap(HeatMap {
        unit: Unit::PerMachineYear,
        bands: vec![AgeBand { from_years: 0.0, to_years: None }],
        rows: vec![HeatRow { label: "x".to_owned(), values: vec![Some(f64::NAN), Some(1e9), None] }],
    }));
    let funnel_point =
        |x: f64, y: f64| FunnelPoint { label: "m".to_owned(), x, y, limits: Some((f64::NAN, 2.0)), standing: Standing::Worse };
    plots.push(Plot::Funnel(Funnel { unit: Unit::Share, x_label: "jobs".to_owned(), mean: Some(0.0), points: vec![] }));
    plots.push(Plot::Funnel(Funnel {
        unit: Unit::Share,
        x_label: "jobs".to_owned(),
        mean: Some(f64::NAN),
        points: vec![funnel_point(0.0, 0.1), funnel_point(f64::INFINITY, f64::NAN), funnel_point(10.0, 1e300)],
    }));
    plots.push(Plot::Costs(CostSpread {
        unit: Unit::Money(None),
        rows: vec![CostRow { label: "x".to_owned(), median: Some(nan), mean: None, p90: None }],
    }));
    for plot in plots {
        let drawn = svg(plot.clone());
        assert!(drawn.ends_with("</svg>\n"), "{plot:?}");
        assert!(!drawn.contains("NaN") && !drawn.contains("inf"), "{plot:?}");
        for x in ["x", "x1", "x2", "cx"].iter().flat_map(|attribute| numbers(&drawn, attribute)) {
            assert!((-10.0..=370.0).contains(&x), "x = {x} in {plot:?}");
        }
    }
}

#[test]
fn text_is_legible_on_a_phone() {
    let drawn = svg(intervals(vec![row("Drum bearings", Some(Quantity::new(0.2, Unit::Share).between(0.1, 0.3)))], Look::Dots));
    assert!(drawn.contains("viewBox=\"0 0 360 "));
    assert!(numbers(&drawn, "font-size").iter().all(|size| *size >= 11.0));
}

#[test]
fn labels_are_escaped_and_cannot_pose_as_placeholders() {
    let drawn = svg(intervals(vec![row("<script>\"#01F100\"", None)], Look::Dots));
    assert!(!drawn.contains("<script>"));
    assert!(drawn.contains("&lt;script&gt;&quot;#01F100&quot;"));
    assert!(drawn.contains("T &lt;1&gt;"));
}

#[test]
fn the_text_alternative_holds_the_numbers() {
    let drawn =
        svg(intervals(vec![row("Drum bearings", Some(Quantity::new(0.2, Unit::Share).between(0.1, 0.3))), row("Lamp", None)], Look::Dots));
    assert!(drawn.contains("D. Drum bearings: 20\u{a0}% (10–30\u{a0}%); Lamp: not estimated</desc>"));
}

#[test]
fn an_interval_beyond_the_scale_ends_in_an_arrow() {
    let near = row("near", Some(Quantity::new(0.1, Unit::Share).between(0.08, 0.12)));
    let far = row("far", Some(Quantity::new(0.1, Unit::Share).between(0.01, 0.99)));
    assert_eq!(svg(intervals(vec![near.clone()], Look::Dots)).matches("<polygon").count(), 0);
    assert_eq!(svg(intervals(vec![near, far], Look::Dots)).matches("<polygon").count(), 1);
}

#[test]
fn a_dot_stands_where_its_value_belongs() {
    let at = |value: f64| {
        let full = row("full", Some(Quantity::new(1.0, Unit::Share)));
        numbers(&svg(intervals(vec![full, row("x", Some(Quantity::new(value, Unit::Share)))], Look::Dots)), "cx")[1]
    };
    let (none, half, all) = (at(0.0), at(0.5), at(1.0));
    assert!((half - (none + all) / 2.0).abs() <= 1.0 && none < half && half < all);
}
