//! Known-truth simulator of the records of one independent repair workshop in an invented town.
//!
//! ```
//! use fixodds_simulator::{Mess, Scenario, simulate, write_csv};
//! let records = simulate(&Scenario::demo().with_jobs(300))?;
//! let folder = std::env::temp_dir().join("fixodds-simulator-example");
//! std::fs::create_dir_all(&folder)?;
//! let expected = write_csv(&records, &folder, Mess::workshop())?;
//! assert!(expected.tables["jobs"].rows >= records.jobs.len() as u64);
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```
//!
//! The parameters are explained in `sample-data/scenario.toml`, the model in `sample-data/README.md`. The same scenario
//! gives the same bytes: every machine draws from a generator of its own, seeded from the scenario's seed and the
//! machine's number. [`Truth`] holds the parameters and what the seed made of them, so that evidence can be held against it.

mod calendar;
mod csv_files;
mod life;
mod mess;
mod records;
mod scenario;
mod simulation;
mod truth;
mod weibull;
mod wording;
mod workshop;
mod world;

pub use csv_files::{WriteError, stream_csv, write_csv};
pub use mess::{BrokenRow, ExpectedIngest, ExpectedTable, Mess};
pub use records::{DECLARED_SCORES, Finding, History, Job, Machine, Origin, Outcome, Part, PartSource, Role, Term};
pub use scenario::{Scenario, ScenarioError, Weights};
pub use simulation::{Records, Simulation, simulate};
pub use truth::{AGE_BANDS, Damage, Faults, FaultsByAge, FaultsByPlatform, Realised, Repairs, Truth, age_band};
pub use weibull::Weibull;
