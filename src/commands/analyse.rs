//! `fixodds analyse`

use std::io::{self, Write};

use fixodds_analytics::business::BusinessSettings;
use fixodds_analytics::engine::Resources;
use fixodds_analytics::evidence::About;
use fixodds_analytics::holidays::read_holidays;
use fixodds_analytics::{AnalyseOptions, analyse};
use fixodds_schemas::StoreLayout;

use crate::Outcome;
use crate::arguments::Analyse;
use crate::progress::Progress;
use crate::terminal::Terminal;

pub fn run(arguments: &Analyse) -> anyhow::Result<Outcome> {
    let business = arguments.business.as_deref().map(BusinessSettings::open).transpose()?.unwrap_or_default();
    let holidays = arguments.holidays.as_deref().map(read_holidays).transpose()?.unwrap_or_default();
    let resources = Resources { memory_mib: arguments.memory_mib };
    let options = AnalyseOptions { as_of: arguments.as_of.clone(), resources, business, holidays };
    let progress = Progress::new();
    let evidence = analyse(&StoreLayout::new(&arguments.store), &options, &mut |step| progress.step(step))?;
    drop(progress);
    let mut out = Terminal::for_programs_if(arguments.json);
    if arguments.json {
        writeln!(out, "{}", serde_json::to_string_pretty(&evidence.about)?)?;
    } else {
        print_summary(&mut out, &evidence.about)?;
    }
    out.flush()?;
    Ok(Outcome::Done)
}

fn print_summary(out: &mut impl Write, about: &About) -> io::Result<()> {
    writeln!(
        out,
        "{} jobs closed {} to {} (cut-off {}); {} roster machines over {:.0} machine-years.",
        about.jobs, about.first_closed_on, about.last_closed_on, about.as_of, about.roster_machines_observed, about.machine_years
    )?;
    for (table, rows) in &about.table_rows {
        match about.missing.get(table) {
            Some(why) => writeln!(out, "  {table:<18} {why}")?,
            None => writeln!(out, "  {table:<18} {rows} rows")?,
        }
    }
    Ok(())
}
