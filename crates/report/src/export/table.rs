//! A table of named columns, written as CSV or Parquet.

/// A table; all columns have the same length.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Table {
    /// The columns, in order.
    pub columns: Vec<Column>,
}

/// A named column; the unit stands in the name.
#[derive(Debug, Clone, PartialEq)]
pub struct Column {
    /// Its name.
    pub name: String,
    /// Its values.
    pub values: Values,
}

/// The values of a column.
#[derive(Debug, Clone, PartialEq)]
pub enum Values {
    /// Texts.
    Text(Vec<String>),
    /// Numbers; `None` is "not measurable here" or a gap.
    Number(Vec<Option<f64>>),
    /// Whole numbers.
    Count(Vec<Option<i32>>),
    /// Yes or no.
    Flag(Vec<bool>),
}

impl Values {
    /// Number of values.
    pub fn len(&self) -> usize {
        match self {
            Self::Text(values) => values.len(),
            Self::Number(values) => values.len(),
            Self::Count(values) => values.len(),
            Self::Flag(values) => values.len(),
        }
    }

    /// No values at all?
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }
}

impl Table {
    /// Adds a column of texts.
    pub(super) fn text(&mut self, name: &str, values: impl Iterator<Item = String>) {
        self.push(name, Values::Text(values.collect()));
    }

    /// Adds a column of numbers; a number that is not finite becomes `None`.
    pub(super) fn number(&mut self, name: &str, values: impl Iterator<Item = Option<f64>>) {
        let finite = values.map(|value| value.filter(|value| value.is_finite()));
        self.push(name, Values::Number(finite.collect()));
    }

    /// Adds a column of whole numbers.
    pub(super) fn count(&mut self, name: &str, values: impl Iterator<Item = Option<i32>>) {
        self.push(name, Values::Count(values.collect()));
    }

    /// Adds a column of yes and no.
    pub(super) fn flag(&mut self, name: &str, values: impl Iterator<Item = bool>) {
        self.push(name, Values::Flag(values.collect()));
    }

    fn push(&mut self, name: &str, values: Values) {
        self.columns.push(Column {
            name: name.to_owned(),
            values,
        });
    }

    /// Number of rows.
    pub fn rows(&self) -> usize {
        self.columns.first().map_or(0, |column| column.values.len())
    }
}
