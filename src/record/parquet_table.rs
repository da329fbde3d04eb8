//! Tables as Apache Parquet: columns that may have holes, compressed, numbers with a fraction split by byte.

use parquet::basic::{Compression, Encoding, Repetition, Type as Physical, ZstdLevel};
use parquet::column::writer::ColumnWriter;
use parquet::data_type::ByteArray;
use parquet::errors::{ParquetError, Result};
use parquet::file::metadata::KeyValue;
use parquet::file::properties::{WriterProperties, WriterPropertiesPtr};
use parquet::file::writer::SerializedFileWriter;
use parquet::schema::types::{ColumnPath, Type, TypePtr};
use std::io::Write;
use std::sync::Arc;

/// The values of a column.
#[derive(Clone, Debug, PartialEq)]
pub enum Values {
    /// Whole numbers.
    Integers(Vec<Option<i64>>),
    /// Numbers with a fraction.
    Reals(Vec<Option<f64>>),
    /// Text.
    Texts(Vec<Option<String>>),
    /// Yes or no.
    Truths(Vec<Option<bool>>),
}

/// A column.
#[derive(Clone, Debug, PartialEq)]
pub struct Column {
    /// Its name.
    pub name: String,
    /// Its values, one a row.
    pub values: Values,
}

/// How numbers with a fraction stand in a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fractions {
    /// Split by byte, which makes the smallest files.
    Split,
    /// As they are: there are engines whose quick reader knows no other way (Spark 4.0).
    Plain,
}

/// Writes tables of the same columns one after another into one file.
pub struct TableWriter<W: Write + Send> {
    writer: SerializedFileWriter<W>,
}

impl<W: Write + Send> TableWriter<W> {
    /// Starts a file whose columns are those of `like`; `metadata` are pairs of words that travel along.
    ///
    /// # Errors
    /// Two columns of one name, or what the file says.
    pub fn new(
        out: W,
        like: &[Column],
        fractions: Fractions,
        metadata: &[(&str, String)],
    ) -> Result<TableWriter<W>> {
        let mut writer = SerializedFileWriter::new(out, schema(like)?, properties(like, fractions))?;
        for (key, value) in metadata {
            writer.append_key_value_metadata(KeyValue::new((*key).to_owned(), value.clone()));
        }
        Ok(TableWriter { writer })
    }

    /// Writes rows as a group of their own.
    ///
    /// # Errors
    /// The columns are not those of the start, or what the file says.
    pub fn write(&mut self, columns: &[Column]) -> Result<()> {
        let mut group = self.writer.next_row_group()?;
        for column in columns {
            let Some(mut to) = group.next_column()? else {
                return Err(ParquetError::General(format!("expected no column {}", column.name)));
            };
            write_values(to.untyped(), &column.values)?;
            to.close()?;
        }
        group.close()?;
        Ok(())
    }

    /// Ends the file; gives it back.
    ///
    /// # Errors
    /// What the file says.
    pub fn finish(self) -> Result<W> {
        self.writer.into_inner()
    }
}

fn schema(columns: &[Column]) -> Result<TypePtr> {
    let field = |column: &Column| {
        let physical = match column.values {
            Values::Integers(_) => Physical::INT64,
            Values::Reals(_) => Physical::DOUBLE,
            Values::Texts(_) => Physical::BYTE_ARRAY,
            Values::Truths(_) => Physical::BOOLEAN,
        };
        let text = matches!(column.values, Values::Texts(_));
        let kind = text.then_some(parquet::basic::LogicalType::String);
        let built = Type::primitive_type_builder(&column.name, physical)
            .with_repetition(Repetition::OPTIONAL)
            .with_logical_type(kind);
        built.build().map(Arc::new)
    };
    let fields = columns.iter().map(field).collect::<Result<Vec<TypePtr>>>()?;
    Ok(Arc::new(Type::group_type_builder("table").with_fields(fields).build()?))
}

fn properties(columns: &[Column], fractions: Fractions) -> WriterPropertiesPtr {
    let built = WriterProperties::builder().set_compression(Compression::ZSTD(ZstdLevel::default()));
    let reals = columns.iter().filter(|column| matches!(column.values, Values::Reals(_)));
    let built = reals.fold(built, |built, column| {
        let path = ColumnPath::from(column.name.as_str());
        let built = built.set_column_dictionary_enabled(path.clone(), false);
        match fractions {
            Fractions::Split => built.set_column_encoding(path, Encoding::BYTE_STREAM_SPLIT),
            Fractions::Plain => built.set_column_encoding(path, Encoding::PLAIN),
        }
    });
    Arc::new(built.build())
}

/// A value that is there has level 1, one that is missing 0.
fn parted<T: Clone, U>(values: &[Option<T>], convert: impl Fn(T) -> U) -> (Vec<U>, Vec<i16>) {
    let there = values.iter().flatten().cloned().map(convert).collect();
    (there, values.iter().map(|value| i16::from(value.is_some())).collect())
}

fn write_values(to: &mut ColumnWriter, values: &Values) -> Result<()> {
    match (to, values) {
        (ColumnWriter::Int64ColumnWriter(to), Values::Integers(values)) => {
            let (values, levels) = parted(values, |value| value);
            to.write_batch(&values, Some(&levels), None)?;
        }
        (ColumnWriter::DoubleColumnWriter(to), Values::Reals(values)) => {
            let (values, levels) = parted(values, |value| value);
            to.write_batch(&values, Some(&levels), None)?;
        }
        (ColumnWriter::ByteArrayColumnWriter(to), Values::Texts(values)) => {
            let (values, levels) = parted(values, |value: String| ByteArray::from(value.into_bytes()));
            to.write_batch(&values, Some(&levels), None)?;
        }
        (ColumnWriter::BoolColumnWriter(to), Values::Truths(values)) => {
            let (values, levels) = parted(values, |value| value);
            to.write_batch(&values, Some(&levels), None)?;
        }
        _ => return Err(ParquetError::General("expected values of the column's kind".to_owned())),
    }
    Ok(())
}
