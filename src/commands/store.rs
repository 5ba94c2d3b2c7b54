//! `fixodds store verify` and `fixodds store rollback`

use std::io::Write;
use std::path::Path;

use anyhow::bail;
use fixodds_ingest::Store;
use fixodds_schemas::store_layout::read_link;
use fixodds_schemas::{StoreLayout, checksums};

use crate::Outcome;
use crate::arguments::StoreCommand;
use crate::terminal::Terminal;

pub fn run(command: &StoreCommand) -> anyhow::Result<Outcome> {
    match command {
        StoreCommand::Verify(folder) => verify(&folder.store),
        StoreCommand::Rollback(folder) => rollback(&folder.store),
    }
}

fn verify(root: &Path) -> anyhow::Result<Outcome> {
    let store = StoreLayout::new(root);
    store.current_dir()?;
    let mut out = Terminal::for_people();
    let mut sound = true;
    for state in Store::verify(&store)? {
        let current = if state.is_current { ", current" } else { "" };
        let verdict = if state.damage.is_empty() { "undamaged" } else { "DAMAGED" };
        writeln!(out, "snapshot {:06}{current}: {verdict}", state.number)?;
        for damage in &state.damage {
            writeln!(out, "  {damage}")?;
        }
        sound &= state.damage.is_empty() || !state.is_current;
    }
    if let Some(target) = read_link(&store.evidence_link())? {
        let damage = checksums::verify(&store.evidence_dir().join(&target))?;
        writeln!(out, "evidence {}: {}", target.display(), if damage.is_empty() { "undamaged" } else { "DAMAGED" })?;
        for damage in &damage {
            writeln!(out, "  {damage}; `fixodds analyse` makes the evidence anew")?;
        }
        sound &= damage.is_empty();
    }
    out.flush()?;
    if !sound {
        bail!("{}: damaged; `fixodds store rollback` goes back to the last good snapshot", root.display());
    }
    Ok(Outcome::Done)
}

fn rollback(root: &Path) -> anyhow::Result<Outcome> {
    let (to, left) = Store::rollback(&StoreLayout::new(root))?;
    writeln!(
        Terminal::for_people(),
        "Snapshot {to:06} is current again instead of {left:06}. Ingest what came after it once more, and run `fixodds analyse`."
    )?;
    Ok(Outcome::Done)
}
