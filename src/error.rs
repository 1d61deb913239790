//! The one error type: what was wrong, where it stands, what to do.
//!
//! An error is a sentence about the input with its place (file, line, column or key) and a remedy.
//! "The answer is no" (a calibration over its limit, a drift) is a result and not an error.

use std::fmt;
use std::path::{Path, PathBuf};

/// A result whose error is [`Error`].
pub type Result<T> = std::result::Result<T, Error>;

/// What kind of thing went wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Input,
    Io,
    TooLittleData,
}

/// An error with its place and its remedy.
///
/// ```
/// use boneglow::Error;
/// let error = Error::input("found \"abc\", expected a number")
///     .at("ledger/spring.csv").line(12).column("r")
///     .remedy("correct the cell or leave it empty");
/// assert_eq!(
///     error.to_string(),
///     "ledger/spring.csv, line 12, column \"r\": found \"abc\", expected a number; \
///      correct the cell or leave it empty"
/// );
/// assert!(error.is_input());
/// ```
#[derive(Debug)]
pub struct Error(Box<Inner>);

#[derive(Debug)]
struct Inner {
    kind: Kind,
    message: String,
    path: Option<PathBuf>,
    line: Option<u64>,
    column: Option<String>,
    key: Option<String>,
    remedy: Option<String>,
    context: Vec<String>,
    source: Option<std::io::Error>,
}

impl Error {
    fn new(kind: Kind, message: String) -> Self {
        Error(Box::new(Inner {
            kind,
            message,
            path: None,
            line: None,
            column: None,
            key: None,
            remedy: None,
            context: Vec::new(),
            source: None,
        }))
    }

    /// Something in the input is wrong: say what was found and what was expected.
    pub fn input(message: impl Into<String>) -> Self {
        Self::new(Kind::Input, message.into())
    }

    /// The input is well formed but too little for what was asked.
    pub fn too_little(message: impl Into<String>) -> Self {
        Self::new(Kind::TooLittleData, message.into())
    }

    /// The system refused to read or write `path`.
    pub fn io(path: impl AsRef<Path>, source: std::io::Error) -> Self {
        let message = match source.kind() {
            std::io::ErrorKind::NotFound => "there is no such file".to_string(),
            std::io::ErrorKind::PermissionDenied => "the system does not permit this".to_string(),
            std::io::ErrorKind::AlreadyExists | std::io::ErrorKind::NotADirectory => {
                "a file stands where a folder is expected".to_string()
            }
            _ => source.to_string(),
        };
        let remedy = match source.kind() {
            std::io::ErrorKind::PermissionDenied => {
                Some("ask for the right to read and write there, or work on a copy")
            }
            std::io::ErrorKind::AlreadyExists | std::io::ErrorKind::NotADirectory => {
                Some("rename or remove that file")
            }
            _ => None,
        };
        let mut error = Self::new(Kind::Io, message).at(path);
        if let Some(remedy) = remedy {
            error = error.remedy(remedy);
        }
        error.0.source = Some(source);
        error
    }

    /// Names the file. The first name given stays.
    pub fn at(mut self, path: impl AsRef<Path>) -> Self {
        self.0
            .path
            .get_or_insert_with(|| path.as_ref().to_path_buf());
        self
    }

    /// Names the line, counted from 1 with the header.
    pub fn line(mut self, line: u64) -> Self {
        self.0.line.get_or_insert(line);
        self
    }

    /// Names the column of a table.
    pub fn column(mut self, column: impl Into<String>) -> Self {
        self.0.column.get_or_insert(column.into());
        self
    }

    /// Names the key of a season file, as `section.key`.
    pub fn key(mut self, key: impl Into<String>) -> Self {
        self.0.key.get_or_insert(key.into());
        self
    }

    /// Where the system refused to read a file: names the key of the season file that names it.
    pub fn named_by(self, key: &str) -> Self {
        match self.is_io() {
            true => self
                .key(key)
                .remedy("correct the path in season.toml; paths start from the season folder"),
            false => self,
        }
    }

    /// Says what to do.
    pub fn remedy(mut self, remedy: impl Into<String>) -> Self {
        self.0.remedy.get_or_insert(remedy.into());
        self
    }

    /// Says what was being done, outermost last.
    pub fn during(mut self, what: impl Into<String>) -> Self {
        self.0.context.push(what.into());
        self
    }

    /// Whether something in the input is wrong.
    pub fn is_input(&self) -> bool {
        self.0.kind == Kind::Input
    }

    /// Whether the input is well formed but too little for what was asked.
    pub fn is_too_little(&self) -> bool {
        self.0.kind == Kind::TooLittleData
    }

    /// Whether the system refused to read or write.
    pub fn is_io(&self) -> bool {
        self.0.kind == Kind::Io
    }
}

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let inner = &self.0;
        let mut place = Vec::new();
        if let Some(path) = &inner.path {
            place.push(path.display().to_string());
        }
        if let Some(line) = inner.line {
            place.push(format!("line {line}"));
        }
        if let Some(column) = &inner.column {
            place.push(format!("column \"{column}\""));
        }
        if let Some(key) = &inner.key {
            place.push(format!("key {key}"));
        }
        if !place.is_empty() {
            write!(f, "{}: ", place.join(", "))?;
        }
        f.write_str(&inner.message)?;
        if let Some(remedy) = &inner.remedy {
            write!(f, "; {remedy}")?;
        }
        for context in &inner.context {
            write!(f, " (while {context})")?;
        }
        Ok(())
    }
}

impl std::error::Error for Error {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        self.0
            .source
            .as_ref()
            .map(|e| e as &(dyn std::error::Error + 'static))
    }
}
