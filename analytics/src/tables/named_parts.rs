//! In how many jobs with a fault a part is named, for the tables that raise the figures of parts by those where none is.

use std::collections::BTreeMap;

use fixodds_estimators::unnamed_parts::NamedParts;

use super::evidence_sql;
use crate::engine::Engine;
use crate::error::AnalyticsError;

/// The key of faults whose part nobody named.
pub const NOT_NAMED: &str = "not_named";

/// Roster jobs of each category, and of all categories together under none. Within a category one share holds for every scope, because a model
/// has too few jobs for a share of its own.
pub struct NamedByCategory(BTreeMap<Option<String>, NamedParts>);

impl NamedByCategory {
    pub fn read(engine: &Engine) -> Result<Self, AnalyticsError> {
        let mut shares = BTreeMap::new();
        engine.rows("named_parts", evidence_sql!("named_parts"), |row| {
            let scope = engine.scope(row.get("scope_id")?);
            if matches!(scope.level.as_str(), "all" | "category") {
                let [named, found] = ["named", "found"].map(|name| row.get::<_, i64>(name));
                shares.insert(scope.category.clone(), NamedParts { named: named? as u64, found: found? as u64 });
            }
            Ok(())
        })?;
        Ok(Self(shares))
    }

    pub fn of(&self, category: Option<&String>) -> NamedParts {
        self.0.get(&category.cloned()).copied().unwrap_or_default()
    }
}
