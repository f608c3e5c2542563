//! What can go wrong while a page is written.

use thiserror::Error;

/// Why no page could be written.
#[derive(Debug, Error)]
#[non_exhaustive]
pub enum PageError {
    /// The file of words cannot be used.
    #[error("the words of the page cannot be read: {problem}")]
    Words {
        /// What is wrong, with key, line and column where known.
        problem: String,
    },
    /// A value of a shot cannot be drawn.
    #[error("shot {shot}: {problem}")]
    Shot {
        /// Number of the shot on the page, from 1.
        shot: usize,
        /// What is wrong with it.
        problem: String,
    },
    /// Links cannot be put into what is no page.
    #[error("this is no page that this version wrote")]
    NoPage,
    /// The template failed.
    #[error("the page template failed")]
    Template(#[from] askama::Error),
    /// The values of the page could not be written as JSON.
    #[error("the values of the page could not be written")]
    Json(#[from] serde_json::Error),
}
