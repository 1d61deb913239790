//! JSON documents that carry what they are, what made them and what they were made from.

use crate::{Error, Result};
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::path::Path;

/// The SHA-256 of every input, by the name that the season uses for it.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Provenance(BTreeMap<String, String>);

impl Provenance {
    /// Notes an input; the same name and bytes give the same entry.
    pub fn add(&mut self, name: impl Into<String>, bytes: &[u8]) {
        let digest: String = Sha256::digest(bytes)
            .iter()
            .map(|b| format!("{b:02x}"))
            .collect();
        self.0.insert(name.into(), digest);
    }

    /// The entries: name and hexadecimal SHA-256.
    pub fn entries(&self) -> impl Iterator<Item = (&str, &str)> {
        self.0
            .iter()
            .map(|(name, digest)| (name.as_str(), digest.as_str()))
    }

    /// Takes over the entries of another.
    pub fn merge(&mut self, other: &Provenance) {
        self.0
            .extend(other.0.iter().map(|(k, v)| (k.clone(), v.clone())));
    }
}

/// The program and version that writes documents.
pub const MADE_BY: &str = concat!("boneglow ", env!("CARGO_PKG_VERSION"));

/// A result with its head: format name and version, maker, inputs. No time of day, so that the
/// same inputs give the same bytes.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Document<T> {
    /// Name and version of the format, such as `boneglow-rig/1`.
    pub format: String,
    /// The program and version that wrote it.
    pub made_by: String,
    /// SHA-256 of every input.
    pub made_from: Provenance,
    /// Set where the colors behind it rest on an assumed and not on a calibrated rig.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub not_calibrated: bool,
    /// The result itself.
    #[serde(flatten)]
    pub content: T,
}

impl<T: Serialize + DeserializeOwned> Document<T> {
    /// A document of the named format.
    pub fn new(format: &str, made_from: Provenance, content: T) -> Self {
        Document {
            format: format.to_string(),
            made_by: MADE_BY.to_string(),
            made_from,
            not_calibrated: false,
            content,
        }
    }

    /// The same, marked where the rig behind it is not calibrated.
    pub fn of_rig(self, calibrated: bool) -> Self {
        Document {
            not_calibrated: !calibrated,
            ..self
        }
    }

    /// Writes it whole or not at all.
    pub fn write(&self, path: &Path) -> Result<()> {
        super::write_whole(path, to_json(self)?.as_bytes())
    }

    /// Reads it back; a file of another format is an error.
    pub fn read(path: &Path, format: &str) -> Result<Self> {
        let refused = |found: &str| {
            Error::input(format!("found format \"{found}\", expected \"{format}\""))
                .at(path)
                .remedy("run the step that makes it again with this version")
        };
        match read_json::<Self>(path) {
            Ok(document) if document.format == format => Ok(document),
            Ok(document) => Err(refused(&document.format)),
            // Another format has other content: that is what to say of it.
            Err(error) => match read_json::<Named>(path) {
                Ok(other) if other.format != format => Err(refused(&other.format)),
                _ => Err(error),
            },
        }
    }
}

/// What every document has.
#[derive(Deserialize)]
struct Named {
    format: String,
}

/// Serializes to indented JSON with a final line feed.
pub fn to_json<T: Serialize>(value: &T) -> Result<String> {
    let mut text = serde_json::to_string_pretty(value)
        .map_err(|e| Error::input(format!("the result cannot be written as JSON: {e}")))?;
    text.push('\n');
    Ok(text)
}

/// Reads JSON from a file.
pub fn read_json<T: DeserializeOwned>(path: &Path) -> Result<T> {
    serde_json::from_slice(&super::read(path)?).map_err(|e| {
        Error::input(format!("this is not what the step writes: {e}"))
            .at(path)
            .remedy("run the step that makes it again")
    })
}
