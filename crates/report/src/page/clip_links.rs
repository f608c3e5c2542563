//! Links from the page to clips beside it. The page is written before its clips are made, and clips can be made again:
//! what is there is put into the finished page.

use serde::Serialize;

use super::error::PageError;
use super::script_json::safe_in_script;

/// Where the list of clips stands in a page.
const OPEN: &str = "<script type=\"application/json\" id=\"clips\">";
const CLOSE: &str = "</script>";

/// A clip that lies beside the page.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct PageClip {
    /// Numbers of the shots that it shows, as on the page.
    pub shots: Vec<usize>,
    /// Name of the camera.
    pub camera: String,
    /// Its file, relative to the page, with `/` between folders.
    pub file: String,
}

/// A finished page with links to these clips, and to no others. Nothing is asked for until a person follows one.
///
/// # Errors
/// The text is no page that this version wrote, or the list could not be written.
pub fn with_clips(page: &str, clips: &[PageClip]) -> Result<String, PageError> {
    let start = page.find(OPEN).ok_or(PageError::NoPage)? + OPEN.len();
    let end = page[start..].find(CLOSE).ok_or(PageError::NoPage)? + start;
    let list = safe_in_script(&serde_json::to_string(clips)?);
    Ok(format!("{}{list}{}", &page[..start], &page[end..]))
}
