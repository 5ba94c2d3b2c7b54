//! Keyed hashes in place of serial and machine numbers, and the 64-bit hashes by which rows are recognised again.

use std::fs;
use std::io::Write;
use std::path::Path;

use fixodds_schemas::TableSchema;

use crate::error::IngestError;
use crate::rules::position;

/// Secret of one store: without it nobody can test whether a known serial number is in the store.
#[derive(Clone, PartialEq, Eq)]
pub struct IdentityKey([u8; 32]);

/// What kind of number is hashed, so that a machine number never equals a serial number.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum IdentityKind {
    Machine,
    Serial,
}

impl IdentityKey {
    /// A key that is known beforehand, for reproducible demonstrations and tests.
    #[must_use]
    pub fn fixed(bytes: [u8; 32]) -> Self {
        Self(bytes)
    }

    /// Reads the key from its file, or makes a random one and writes it, readable by the owner only.
    ///
    /// # Errors
    /// If the file cannot be read or written, or does not hold 64 hexadecimal digits.
    pub fn load_or_create(path: &Path, preset: Option<&Self>) -> Result<Self, IngestError> {
        match fs::read_to_string(path) {
            Ok(text) => {
                let key = Self::from_hex(text.trim()).ok_or_else(|| IngestError::IdentityKeyDamaged { path: path.to_owned() })?;
                match preset {
                    Some(preset) if *preset != key => Err(IngestError::IdentityKeyDiffers { path: path.to_owned() }),
                    _ => Ok(key),
                }
            }
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
                let key = match preset {
                    Some(preset) => preset.clone(),
                    None => {
                        let mut bytes = [0; 32];
                        getrandom::fill(&mut bytes).map_err(|error| IngestError::NoRandomness { message: error.to_string() })?;
                        Self(bytes)
                    }
                };
                key.write(path).map_err(|source| IngestError::io("write", path, source))?;
                Ok(key)
            }
            Err(source) => Err(IngestError::io("read", path, source)),
        }
    }

    fn from_hex(text: &str) -> Option<Self> {
        blake3::Hash::from_hex(text).ok().map(|hash| Self(*hash.as_bytes()))
    }

    fn write(&self, path: &Path) -> std::io::Result<()> {
        let mut options = fs::OpenOptions::new();
        options.write(true).create_new(true);
        #[cfg(unix)]
        std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
        let mut file = options.open(path)?;
        writeln!(file, "{}", blake3::Hash::from_bytes(self.0).to_hex())?;
        file.sync_all()
    }

    /// Sixteen hexadecimal digits that stand for a number in its normal form.
    #[must_use]
    pub fn hash(&self, kind: IdentityKind, number: &str) -> String {
        let mut hasher = blake3::Hasher::new_keyed(&self.0);
        hasher.update(match kind {
            IdentityKind::Machine => b"machine:",
            IdentityKind::Serial => b"serial:",
        });
        hasher.update(number.as_bytes());
        format!("{:016x}", first_eight_bytes(&hasher.finalize()))
    }
}

impl std::fmt::Debug for IdentityKey {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter.write_str("IdentityKey(secret)")
    }
}

/// 64-bit hash of bytes, the same on every machine and in every version.
#[must_use]
pub fn hash_bytes(bytes: &[u8]) -> u64 {
    first_eight_bytes(&blake3::hash(bytes))
}

/// 64-bit hash of several texts; where one ends and the next begins is part of the hash.
#[must_use]
pub fn hash_texts<'a>(texts: impl IntoIterator<Item = &'a str>) -> u64 {
    let mut bytes = Vec::with_capacity(64);
    for text in texts {
        bytes.extend_from_slice(&(text.len() as u64).to_le_bytes());
        bytes.extend_from_slice(text.as_bytes());
    }
    hash_bytes(&bytes)
}

/// The columns by which a record of a store table is recognised again, whatever else has changed in it.
#[derive(Debug, Clone)]
pub enum RecordKey {
    Texts(Vec<usize>),
    /// A step of a job.
    Step {
        source: usize,
        job_id: usize,
        step: usize,
    },
    /// A stay of a machine on the roster, told by the day on which it began.
    Stay {
        source: usize,
        machine_key: usize,
        entered_on: usize,
    },
    /// Only the whole content.
    Content,
}

impl RecordKey {
    pub fn new(schema: &TableSchema) -> Self {
        let at = |name| position(schema, name);
        match schema.name.as_str() {
            "jobs" => Self::Texts(vec![at("source"), at("job_id")]),
            "findings" => Self::Step { source: at("source"), job_id: at("job_id"), step: at("step") },
            "machines" => Self::Stay { source: at("source"), machine_key: at("machine_key"), entered_on: at("entered_on") },
            "models" => Self::Texts(vec![at("model_key")]),
            _ => Self::Content,
        }
    }

    /// The hash of these columns; none if one of them is missing, or if only the whole content tells records apart.
    pub fn hash<'t>(&self, text: impl Fn(usize) -> Option<&'t str>, integer: impl Fn(usize) -> Option<i64>) -> Option<u64> {
        match self {
            Self::Texts(columns) => match columns[..] {
                [one] => Some(hash_texts([text(one)?])),
                [one, two] => Some(hash_texts([text(one)?, text(two)?])),
                _ => None,
            },
            Self::Step { source, job_id, step } => Some(hash_texts([text(*source)?, text(*job_id)?, integer(*step)?.to_string().as_str()])),
            Self::Stay { source, machine_key, entered_on } => {
                let began = integer(*entered_on).map(|day| day.to_string()).unwrap_or_default();
                Some(hash_texts([text(*source)?, text(*machine_key)?, began.as_str()]))
            }
            Self::Content => None,
        }
    }

    /// The columns that [`RecordKey::hash`] looks at.
    pub fn columns(&self) -> Vec<usize> {
        match self {
            Self::Texts(columns) => columns.clone(),
            Self::Step { source, job_id, step } => vec![*source, *job_id, *step],
            Self::Stay { source, machine_key, entered_on } => vec![*source, *machine_key, *entered_on],
            Self::Content => Vec::new(),
        }
    }
}

fn first_eight_bytes(hash: &blake3::Hash) -> u64 {
    let bytes = hash.as_bytes();
    u64::from_le_bytes([bytes[0], bytes[1], bytes[2], bytes[3], bytes[4], bytes[5], bytes[6], bytes[7]])
}

/// For maps whose keys are hashes already.
#[derive(Debug, Default, Clone, Copy)]
pub struct AlreadyHashed(u64);

impl std::hash::Hasher for AlreadyHashed {
    fn finish(&self) -> u64 {
        self.0
    }

    fn write(&mut self, bytes: &[u8]) {
        self.0 = hash_bytes(bytes);
    }

    fn write_u64(&mut self, value: u64) {
        self.0 = value;
    }
}

/// A map from 64-bit hashes.
pub type HashKeyed<T> = std::collections::HashMap<u64, T, std::hash::BuildHasherDefault<AlreadyHashed>>;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hashes_depend_on_key_and_kind() {
        let key = IdentityKey::fixed([7; 32]);
        let serial = key.hash(IdentityKind::Serial, "AB1234");
        assert_eq!(serial.len(), 16);
        assert_eq!(serial, key.hash(IdentityKind::Serial, "AB1234"));
        assert_ne!(serial, key.hash(IdentityKind::Machine, "AB1234"));
        assert_ne!(serial, IdentityKey::fixed([8; 32]).hash(IdentityKind::Serial, "AB1234"));
    }

    #[test]
    fn the_key_is_made_once_and_kept() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("identity.key");
        let key = IdentityKey::load_or_create(&path, None).unwrap();
        assert_eq!(IdentityKey::load_or_create(&path, None).unwrap(), key);
        assert!(matches!(
            IdentityKey::load_or_create(&path, Some(&IdentityKey::fixed([0; 32]))),
            Err(IngestError::IdentityKeyDiffers { .. })
        ));
        #[cfg(unix)]
        assert_eq!(std::os::unix::fs::PermissionsExt::mode(&fs::metadata(&path).unwrap().permissions()) & 0o777, 0o600);
        fs::write(&path, "short").unwrap();
        assert!(matches!(IdentityKey::load_or_create(&path, None), Err(IngestError::IdentityKeyDamaged { .. })));
    }

    #[test]
    fn where_a_text_ends_is_part_of_the_hash() {
        assert_ne!(hash_texts(["ab", "c"]), hash_texts(["a", "bc"]));
    }
}
