//! Tables as Parquet, Snappy-compressed, one row group.

use std::sync::Arc;

use parquet::{
    basic::{Compression, LogicalType, Repetition, Type as PhysicalType},
    data_type::{BoolType, ByteArray, ByteArrayType, DoubleType, Int32Type},
    file::{
        properties::WriterProperties,
        writer::{SerializedColumnWriter, SerializedFileWriter},
    },
    schema::types::Type,
};

use super::{
    error::ExportError,
    table::{Table, Values},
};

/// A table as a Parquet file in memory.
///
/// # Errors
/// The columns differ in length, or the library refuses them.
pub fn parquet(table: &Table) -> Result<Vec<u8>, ExportError> {
    if let Some(odd) = table
        .columns
        .iter()
        .find(|column| column.values.len() != table.rows())
    {
        return Err(ExportError::DoesNotFit {
            format: "Parquet",
            problem: format!("column {:?} differs in length from the others", odd.name),
        });
    }
    let properties = WriterProperties::builder()
        .set_compression(Compression::SNAPPY)
        .build();
    let mut file =
        SerializedFileWriter::new(Vec::new(), Arc::new(schema(table)?), Arc::new(properties))?;
    let mut group = file.next_row_group()?;
    for column in &table.columns {
        let Some(mut writer) = group.next_column()? else {
            break;
        };
        write_column(&mut writer, &column.values)?;
        writer.close()?;
    }
    group.close()?;
    Ok(file.into_inner()?)
}

fn schema(table: &Table) -> Result<Type, ExportError> {
    let fields = table.columns.iter().map(|column| {
        let (physical, logical, repetition) = match column.values {
            Values::Text(_) => (
                PhysicalType::BYTE_ARRAY,
                Some(LogicalType::String),
                Repetition::REQUIRED,
            ),
            Values::Number(_) => (PhysicalType::DOUBLE, None, Repetition::OPTIONAL),
            Values::Count(_) => (PhysicalType::INT32, None, Repetition::OPTIONAL),
            Values::Flag(_) => (PhysicalType::BOOLEAN, None, Repetition::REQUIRED),
        };
        let field = Type::primitive_type_builder(&column.name, physical)
            .with_logical_type(logical)
            .with_repetition(repetition)
            .build();
        field.map(Arc::new)
    });
    let fields = fields.collect::<Result<Vec<_>, _>>()?;
    Ok(Type::group_type_builder("drawarc")
        .with_fields(fields)
        .build()?)
}

fn write_column(
    writer: &mut SerializedColumnWriter<'_>,
    values: &Values,
) -> Result<(), ExportError> {
    match values {
        Values::Text(texts) => {
            let texts: Vec<ByteArray> = texts.iter().map(|text| text.as_str().into()).collect();
            writer
                .typed::<ByteArrayType>()
                .write_batch(&texts, None, None)?;
        }
        Values::Number(numbers) => {
            let known: Vec<f64> = numbers.iter().flatten().copied().collect();
            writer
                .typed::<DoubleType>()
                .write_batch(&known, Some(&levels(numbers)), None)?;
        }
        Values::Count(counts) => {
            let known: Vec<i32> = counts.iter().flatten().copied().collect();
            writer
                .typed::<Int32Type>()
                .write_batch(&known, Some(&levels(counts)), None)?;
        }
        Values::Flag(flags) => {
            writer.typed::<BoolType>().write_batch(flags, None, None)?;
        }
    }
    Ok(())
}

/// Definition levels of an optional column: 1 where there is a value.
fn levels<T>(values: &[Option<T>]) -> Vec<i16> {
    values
        .iter()
        .map(|value| i16::from(value.is_some()))
        .collect()
}
