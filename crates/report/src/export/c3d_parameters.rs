//! The parameter section of a C3D file: groups and parameters, little-endian.

/// A parameter's data.
#[derive(Debug, Clone)]
pub(super) enum Data {
    /// One whole number.
    Int(u16),
    /// Whole numbers in a row.
    Ints(Vec<u16>),
    /// One real number.
    Float(f32),
    /// Real numbers with their dimensions, first dimension fastest.
    Floats(Vec<u8>, Vec<f32>),
    /// One text.
    Text(String),
    /// Texts of one width.
    Texts(Vec<String>),
}

/// The longest text a dimension byte can state.
const LONGEST_TEXT: usize = 255;

/// Groups and parameters in writing order.
#[derive(Debug, Default)]
pub(super) struct ParameterSection {
    bytes: Vec<u8>,
    group: u8,
}

impl ParameterSection {
    /// Opens a group; parameters that follow belong to it.
    pub(super) fn group(&mut self, name: &str, description: &str) {
        self.group += 1;
        let description = ascii(description);
        self.name(name, 0_u8.wrapping_sub(self.group));
        self.offset(1 + description.len());
        self.text(&description);
    }

    /// Adds a parameter to the open group.
    pub(super) fn parameter(&mut self, name: &str, data: &Data) {
        self.name(name, self.group);
        let body = encoded(data);
        self.offset(body.len() + 1);
        self.bytes.extend(body);
        self.bytes.push(0);
    }

    /// The finished section, padded to whole blocks of 512 bytes, and its number of blocks.
    pub(super) fn finish(self) -> Option<(Vec<u8>, u8)> {
        // Four bytes before, two after: a name of length zero ends the list.
        let blocks = u8::try_from((self.bytes.len() + 4 + 2).div_ceil(512)).ok()?;
        // 84 says: numbers as Intel processors write them.
        let mut section = vec![1, 80, blocks, 84];
        section.extend(self.bytes);
        section.resize(usize::from(blocks) * 512, 0);
        Some((section, blocks))
    }

    fn name(&mut self, name: &str, id: u8) {
        self.bytes.push(length_byte(name.len().min(127)));
        self.bytes.push(id);
        self.bytes.extend(name.bytes().take(127));
    }

    /// Distance from the offset itself to the next entry.
    fn offset(&mut self, rest: usize) {
        self.bytes
            .extend(u16::try_from(rest + 2).unwrap_or(u16::MAX).to_le_bytes());
    }

    fn text(&mut self, text: &str) {
        self.bytes.push(length_byte(text.len()));
        self.bytes.extend(text.bytes());
    }
}

/// Type, dimensions and values of a parameter.
fn encoded(data: &Data) -> Vec<u8> {
    let mut body = Vec::new();
    match data {
        Data::Int(value) => {
            body.extend([2, 0]);
            body.extend(value.to_le_bytes());
        }
        Data::Ints(values) => {
            body.extend([2, 1, length_byte(values.len())]);
            body.extend(values.iter().flat_map(|value| value.to_le_bytes()));
        }
        Data::Float(value) => {
            body.extend([4, 0]);
            body.extend(value.to_le_bytes());
        }
        Data::Floats(dimensions, values) => {
            body.extend([4, length_byte(dimensions.len())]);
            body.extend(dimensions);
            body.extend(values.iter().flat_map(|value| value.to_le_bytes()));
        }
        Data::Text(text) => {
            let text = ascii(text);
            body.extend([CHARACTERS, 1, length_byte(text.len())]);
            body.extend(text.bytes());
        }
        Data::Texts(texts) => {
            let texts: Vec<String> = texts
                .iter()
                .take(LONGEST_TEXT)
                .map(|text| ascii(text))
                .collect();
            let width = texts.iter().map(String::len).max().unwrap_or(0);
            body.extend([CHARACTERS, 2, length_byte(width), length_byte(texts.len())]);
            for text in texts {
                body.extend(format!("{text:width$}").bytes());
            }
        }
    }
    body
}

/// Type −1: characters.
const CHARACTERS: u8 = 0xFF;

fn length_byte(length: usize) -> u8 {
    u8::try_from(length).unwrap_or(u8::MAX)
}

/// The format knows ASCII only: anything else becomes a question mark; too long is cut.
pub(super) fn ascii(text: &str) -> String {
    text.chars()
        .map(|character| {
            if matches!(character, ' '..='~') {
                character
            } else {
                '?'
            }
        })
        .take(LONGEST_TEXT)
        .collect()
}
