//! JSON documents that carry what they are, what made them and what they were made from.

use crate::{Error, Result};
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use serde_json::error::Category;
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::path::Path;

/// The SHA-256 of every input, by the name that the season uses for it.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Provenance(BTreeMap<String, String>);

impl Provenance {
    /// Notes an input; the same name and bytes give the same entry.
    pub fn add(&mut self, name: impl Into<String>, bytes: &[u8]) {
        self.0.insert(name.into(), sha256(bytes));
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

/// SHA-256 in hexadecimal digits.
fn sha256(bytes: &[u8]) -> String {
    let digest = Sha256::digest(bytes);
    digest.iter().map(|b| format!("{b:02x}")).collect()
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
    /// SHA-256 of all that the document says beside it, however it is laid out; set when it is written.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    content_sha256: Option<String>,
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
            content_sha256: None,
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

    /// Writes it whole or not at all, with the SHA-256 of its content.
    pub fn write(&self, path: &Path) -> Result<()> {
        let mut sealed = Document {
            format: self.format.clone(),
            made_by: self.made_by.clone(),
            made_from: self.made_from.clone(),
            content_sha256: None,
            not_calibrated: self.not_calibrated,
            content: &self.content,
        };
        sealed.content_sha256 = digest_beside_own(to_json(&sealed)?.as_bytes()).map(|d| d.now);
        super::write_whole(path, to_json(&sealed)?.as_bytes())
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

/// Whether a document is not what was written: it names the SHA-256 of its content, and that is another
/// one now. Line breaks, indents and the order of keys do not count.
pub fn is_edited(path: &Path) -> bool {
    let found = super::read(path).ok();
    found
        .and_then(|bytes| digest_beside_own(&bytes))
        .is_some_and(|digest| digest.written.is_some_and(|written| written != digest.now))
}

/// The SHA-256 of a document's content as it is now, and that which it names.
struct ContentDigest {
    now: String,
    written: Option<String>,
}

fn digest_beside_own(bytes: &[u8]) -> Option<ContentDigest> {
    let mut all: BTreeMap<String, Value> = serde_json::from_slice(bytes).ok()?;
    let written = all.remove("content_sha256");
    Some(ContentDigest {
        now: sha256(&serde_json::to_vec(&all).ok()?),
        written: written.and_then(|w| w.as_str().map(str::to_string)),
    })
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
    serde_json::from_slice(&super::read(path)?).map_err(|e| not_as_written(&e).at(path))
}

/// What to say of a file that cannot be read back, without the parser's own words.
fn not_as_written(error: &serde_json::Error) -> Error {
    let line = error.line() as u64;
    let told = match error.classify() {
        Category::Eof => Error::input("this file is cut short").line(line),
        Category::Syntax => Error::input("this is not JSON from here on").line(line),
        _ => {
            let message = error.to_string();
            let missing = message.strip_prefix("missing field `");
            let missing = missing.and_then(|rest| rest.split('`').next());
            Error::input(match missing {
                Some(key) => format!("this is not what the step writes: \"{key}\" is missing"),
                None => "this is not what the step writes".to_string(),
            })
        }
    };
    told.remedy("run the step that makes it again")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A document in a folder of its own, and what `change` makes of its text.
    fn edited(change: impl Fn(String) -> String) -> bool {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("cut.json");
        let content = BTreeMap::from([("cut".to_string(), 0.1), ("share".to_string(), 1.0 / 3.0)]);
        let mut made_from = Provenance::default();
        made_from.add("ledger.csv", b"bone");
        let document = Document::new("cut/1", made_from, content);
        document.write(&path).unwrap();
        let text = String::from_utf8(crate::files::read(&path).unwrap()).unwrap();
        super::super::write_whole(&path, change(text).as_bytes()).unwrap();
        is_edited(&path)
    }

    #[test]
    fn a_document_knows_whether_it_was_edited() {
        assert!(!edited(|text| text));
        assert!(edited(|text| text.replace("0.1", "0.2")));
        assert!(edited(|text| text.replace("cut/1", "cut/2")));
        assert!(edited(
            |text| text.replace("\"ledger.csv\"", "\"other.csv\"")
        ));
        // Another layout says the same.
        assert!(!edited(|text| text.replace('\n', "\r\n")));
        assert!(!edited(|text| text.replace("  ", "\t")));
        // One of before says nothing of itself.
        assert!(!edited(|_| "{\"cut\": 0.1}".to_string()));
    }

    #[test]
    fn what_cannot_be_read_back_is_told_without_the_parsers_words() {
        let told = |text: &str| {
            let error = serde_json::from_str::<Document<BTreeMap<String, f64>>>(text).unwrap_err();
            not_as_written(&error).to_string()
        };
        assert!(told("{\"format\": \"cut/1\",").starts_with("line 1: this file is cut short"));
        assert!(told("{\"format\"; 1}").contains("not JSON from here on"));
        assert!(told("{\"format\": \"a\"}").contains("\"made_by\" is missing"));
        let wrong = told("{\"format\": \"a\", \"made_by\": 1, \"made_from\": {}}");
        assert!(
            wrong.starts_with("this is not what the step writes;"),
            "{wrong}"
        );
    }
}
