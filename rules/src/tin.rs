//! The tire identification number on a sidewall, 49 CFR 574.5.
//!
//! Its formats overlap: seven symbols of a retread may be a plant and a date, and a number
//! of eight to eleven symbols that ends in four digits may end in a date of three or of
//! four. So reading gives every number that the symbols may be, never a guess. The size
//! code has been each maker's own since 1972 (37 FR 23727) and is not decoded.

use chrono::{Datelike, Days, NaiveDate};
use std::fmt;
use std::ops::RangeInclusive;

/// What the number was put on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Marked {
    /// The tire as it was made.
    Original,
    /// A retread: the retreader's number.
    Retread,
}

/// How a number is made up.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Format {
    /// Plant, size code, descriptive code, week and one digit of the year: until mid-2000.
    ThreeDigitDate,
    /// The same with two digits of the year: from 2000, 64 FR 36807.
    FourDigitDate,
    /// 13 symbols of a new tire, 7 of a retread: from 2015, 80 FR 19553.
    Fixed,
}

/// A calendar week of a date code: Sunday to Saturday, numbered from the first full week of
/// the year. The last week of a year runs into the next. Not the weeks of ISO 8601.
///
/// Source: 49 CFR 574.5, whose "0109" is 4 to 10 January 2009.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Week {
    year: i32,
    week: u32,
}

/// A number as one of its readings.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Tin {
    format: Format,
    plant: String,
    size: String,
    code: String,
    made: Week,
}

/// Why symbols are no number of a tire.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum TinError {
    /// A sign that no number has.
    #[error("{symbol} is not a symbol of a tire's number (49 CFR 574.5).{}", meant(*.likely))]
    Symbol {
        /// The sign.
        symbol: char,
        /// The symbol that it is easily taken for.
        likely: Option<char>,
    },
    /// More or fewer symbols than any format has.
    #[error(
        "{found} symbols; {} has {} to {} (49 CFR 574.5). Read the number again.",
        noun(*.marked), .expected.start(), .expected.end()
    )]
    Length {
        /// Symbols found.
        found: usize,
        /// What it was read as.
        marked: Marked,
        /// The fewest and the most.
        expected: RangeInclusive<usize>,
    },
    /// The DOT symbol, which no number of a truck tire's retread has.
    #[error(
        "The number of a retreaded truck tire has no DOT before it (49 CFR 574.5). \
         Is this the original's number?"
    )]
    Dot,
    /// No format makes a number of these symbols with a date that can be.
    #[error(
        "The last symbols {last} are no week and year in which {} was marked so \
         (49 CFR 574.5). Read the number again.",
        noun(*.marked)
    )]
    Date {
        /// The last symbols, four at most.
        last: String,
        /// What it was read as.
        marked: Marked,
    },
    /// A week that its year does not have.
    #[error("The year {year} has no week {week:02}; it has 01 to {last} (49 CFR 574.5).")]
    NoSuchWeek {
        /// The year.
        year: i32,
        /// The week.
        week: u32,
        /// Its last week.
        last: u32,
    },
}

fn meant(likely: Option<char>) -> String {
    likely.map(|one| format!(" Is it {one}?")).unwrap_or_default()
}

fn noun(marked: Marked) -> &'static str {
    match marked {
        Marked::Original => "a tire",
        Marked::Retread => "a retread",
    }
}

impl Week {
    /// That week of that year.
    ///
    /// # Errors
    /// Where the year has no such week.
    pub fn new(year: i32, week: u32) -> Result<Week, TinError> {
        let last = weeks_of(year);
        if (1..=last).contains(&week) {
            Ok(Week { year, week })
        } else {
            Err(TinError::NoSuchWeek { year, week, last })
        }
    }

    /// The week that a day is in.
    #[must_use]
    pub fn of(day: NaiveDate) -> Week {
        let year = if day < first_sunday(day.year()) { day.year() - 1 } else { day.year() };
        let days = (day - first_sunday(year)).num_days();
        Week { year, week: u32::try_from(days / 7).unwrap_or(0) + 1 }
    }

    /// The year whose week it is.
    #[must_use]
    pub fn year(self) -> i32 {
        self.year
    }

    /// Its number in that year, from 1.
    #[must_use]
    pub fn number(self) -> u32 {
        self.week
    }

    /// Its Sunday.
    #[must_use]
    pub fn first_day(self) -> NaiveDate {
        first_sunday(self.year) + Days::new(u64::from(self.week - 1) * 7)
    }

    /// Its Saturday.
    #[must_use]
    pub fn last_day(self) -> NaiveDate {
        self.first_day() + Days::new(6)
    }

    /// The date code: week, then the last two digits of the year.
    #[must_use]
    pub fn code(self) -> String {
        format!("{:02}{:02}", self.week, self.year.rem_euclid(100))
    }

    /// The days that may have passed since, fewest and most; none before the week began.
    #[must_use]
    pub fn age_days(self, on: NaiveDate) -> Option<RangeInclusive<i64>> {
        let most = (on - self.first_day()).num_days();
        (most >= 0).then(|| (on - self.last_day()).num_days().max(0)..=most)
    }

    /// Whole years since the first day of the week: the oldest that it can be, which is what
    /// a limit of age asks. None before the week began.
    #[must_use]
    pub fn age_years(self, on: NaiveDate) -> Option<u32> {
        on.years_since(self.first_day())
    }
}

impl fmt::Display for Week {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "week {:02} of {}", self.week, self.year)
    }
}

fn first_sunday(year: i32) -> NaiveDate {
    // Every year of a chrono date that has a neighbour has a first of January.
    let first = NaiveDate::from_ymd_opt(year, 1, 1).unwrap_or(NaiveDate::MIN);
    first + Days::new(u64::from((7 - first.weekday().num_days_from_sunday()) % 7))
}

fn weeks_of(year: i32) -> u32 {
    let days = (first_sunday(year.saturating_add(1)) - first_sunday(year)).num_days();
    u32::try_from(days / 7).unwrap_or(0)
}

/// The first tires under the rule were made after 22 May 1971.
const BEGIN: Week = Week { year: 1971, week: 21 };
/// The last week before 2 July 2000, from which a year takes two digits (64 FR 36807).
const LAST_ONE_DIGIT_YEAR: Week = Week { year: 2000, week: 26 };
/// Makers could change to two digits before they had to: from memory.
const FIRST_TWO_DIGIT_YEAR: Week = Week { year: 2000, week: 1 };
/// The week of 13 April 2015, when the numbers of fixed length began (80 FR 19553).
const FIRST_FIXED: Week = Week { year: 2015, week: 15 };

/// Every number that these symbols may be: those that could be read by `latest`, the day of
/// the reading, oldest format first. Blanks, hyphens and a leading `DOT` do not matter.
///
/// # Errors
/// Where a sign is no symbol of a number, or no format fits. Source: 49 CFR 574.5; that a
/// retread's older number has a plant of three symbols and may have a descriptive code is
/// NHTSA's letter 11704wkm and 64 FR 36807.
pub fn read(text: &str, marked: Marked, latest: NaiveDate) -> Result<Vec<Tin>, TinError> {
    let symbols = symbols(text, marked)?;
    let plant = match marked {
        Marked::Original => 2,
        Marked::Retread => 3,
    };
    // Older numbers have 7 to 12 symbols on a tire, one more on a retread.
    let expected = 7..=13;
    if !expected.contains(&symbols.len()) {
        return Err(TinError::Length { found: symbols.len(), marked, expected });
    }
    let mut found = Vec::new();
    for (format, digits) in [(Format::ThreeDigitDate, 3), (Format::FourDigitDate, 4)] {
        // Plant, a size code of two, none to four of the maker's, and the date.
        let fewest = plant + 2 + digits;
        if (fewest..=fewest + 4).contains(&symbols.len()) {
            let groups = [plant, plant + 2, symbols.len() - digits];
            found.extend(readings(&symbols, format, groups, latest));
        }
    }
    let (fixed, groups) = match marked {
        Marked::Original => (13, [3, 3, 9]),
        Marked::Retread => (7, [3, 3, 3]),
    };
    if symbols.len() == fixed {
        found.extend(readings(&symbols, Format::Fixed, groups, latest));
    }
    if found.is_empty() {
        let last = symbols[symbols.len() - 4..].to_owned();
        return Err(TinError::Date { last, marked });
    }
    Ok(found)
}

/// The symbols alone. They are the digits and 20 letters, none of which looks like a digit.
fn symbols(text: &str, marked: Marked) -> Result<String, TinError> {
    let text: String = text.chars().filter(|c| !c.is_whitespace() && *c != '-').collect();
    let text = text.to_ascii_uppercase();
    // O is no symbol, so that no number begins with these letters.
    let number = match (text.strip_prefix("DOT"), marked) {
        (Some(_), Marked::Retread) => return Err(TinError::Dot),
        (Some(number), Marked::Original) => number,
        (None, _) => text.as_str(),
    };
    let wrong = number
        .chars()
        .find(|c| !(c.is_ascii_digit() || c.is_ascii_uppercase() && !"GIOQSZ".contains(*c)));
    let likely = |symbol| match symbol {
        'O' | 'Q' => Some('0'),
        'I' => Some('1'),
        'Z' => Some('2'),
        'S' => Some('5'),
        'G' => Some('6'),
        _ => None,
    };
    wrong.map_or(Ok(number.to_owned()), |symbol| {
        Err(TinError::Symbol { symbol, likely: likely(symbol) })
    })
}

/// The numbers of one format: one for each week that the date code may mean.
fn readings(symbols: &str, format: Format, ends: [usize; 3], latest: NaiveDate) -> Vec<Tin> {
    let [plant, size, code] = ends;
    let tin = |made| Tin {
        format,
        plant: symbols[..plant].to_owned(),
        size: symbols[plant..size].to_owned(),
        code: symbols[size..code].to_owned(),
        made,
    };
    weeks(&symbols[code..], format, latest).into_iter().map(tin).collect()
}

/// The weeks that a date code may mean in this format.
fn weeks(date: &str, format: Format, latest: NaiveDate) -> Vec<Week> {
    if !date.bytes().all(|byte| byte.is_ascii_digit()) {
        return Vec::new();
    }
    let number = |digits: &str| digits.parse::<i32>().unwrap_or(0);
    let (week, year) = (number(&date[..2]).unsigned_abs(), number(&date[2..]));
    let (years, from, until) = match format {
        Format::ThreeDigitDate => {
            ([1970, 1980, 1990, 2000].map(|ten| ten + year).to_vec(), BEGIN, LAST_ONE_DIGIT_YEAR)
        }
        Format::FourDigitDate => (vec![2000 + year], FIRST_TWO_DIGIT_YEAR, Week::of(latest)),
        Format::Fixed => (vec![2000 + year], FIRST_FIXED, Week::of(latest)),
    };
    let until = until.min(Week::of(latest));
    let made = years.into_iter().filter_map(|year| Week::new(year, week).ok());
    made.filter(|made| (from..=until).contains(made)).collect()
}

impl Tin {
    /// How it is made up.
    #[must_use]
    pub fn format(&self) -> Format {
        self.format
    }

    /// The code of the plant, or of the retreader.
    #[must_use]
    pub fn plant(&self) -> &str {
        &self.plant
    }

    /// The maker's code of the size, or the retreader's of the matrix; none in a number of
    /// fixed length.
    #[must_use]
    pub fn size(&self) -> Option<&str> {
        (!self.size.is_empty()).then_some(self.size.as_str())
    }

    /// What else the maker put in: the descriptive code, or the six symbols of a number of
    /// 13.
    #[must_use]
    pub fn code(&self) -> Option<&str> {
        (!self.code.is_empty()).then_some(self.code.as_str())
    }

    /// The week of make, or of retreading.
    #[must_use]
    pub fn made(&self) -> Week {
        self.made
    }

    fn date(&self) -> String {
        let code = self.made.code();
        match self.format {
            Format::ThreeDigitDate => format!("{}{}", &code[..2], &code[3..]),
            Format::FourDigitDate | Format::Fixed => code,
        }
    }
}

/// The groups with blanks between them, as they stand on a sidewall.
impl fmt::Display for Tin {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.plant)?;
        for group in [&self.size, &self.code, &self.date()] {
            if !group.is_empty() {
                write!(f, " {group}")?;
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn some(many: &str, then: &str) -> impl Strategy<Value = String> + use<> {
        let pattern = format!("[ABCDEFHJKLMNPRTUVWXY0-9]{{{many}}}{then}");
        proptest::string::string_regex(&pattern).unwrap()
    }

    fn day() -> NaiveDate {
        NaiveDate::from_ymd_opt(2026, 6, 1).unwrap()
    }

    fn any_week(from: Week, until: Week) -> impl Strategy<Value = Week> {
        let days = (until.last_day() - from.first_day()).num_days();
        (0..=days).prop_map(move |day| Week::of(from.first_day() + chrono::Duration::days(day)))
    }

    fn any_tin() -> impl Strategy<Value = (Marked, Tin)> {
        let now = Week::of(day());
        let older = |format, from, until| {
            let codes = (some("3", ""), some("2", ""));
            let parts = (any::<bool>(), codes, some("0,4", ""), any_week(from, until));
            parts.prop_map(move |(new, (plant, size), code, made)| {
                let marked = if new { Marked::Original } else { Marked::Retread };
                let plant = if new { plant[1..].to_owned() } else { plant };
                (marked, Tin { format, plant, size, code, made })
            })
        };
        let fixed = (any::<bool>(), some("3", ""), some("6", ""));
        let fixed = (fixed, any_week(FIRST_FIXED, now)).prop_map(|((new, plant, code), made)| {
            let marked = if new { Marked::Original } else { Marked::Retread };
            let code = if new { code } else { String::new() };
            (marked, Tin { format: Format::Fixed, plant, size: String::new(), code, made })
        });
        prop_oneof![
            older(Format::ThreeDigitDate, BEGIN, LAST_ONE_DIGIT_YEAR),
            older(Format::FourDigitDate, FIRST_TWO_DIGIT_YEAR, now),
            fixed,
        ]
    }

    proptest! {
        /// Source: the groups of 49 CFR 574.5.
        #[test]
        fn a_number_is_among_the_readings_of_its_text((marked, tin) in any_tin()) {
            let read = read(&tin.to_string(), marked, day()).unwrap();
            prop_assert!(read.contains(&tin), "{tin}: {read:?}");
        }

        /// Whatever is read says what was there.
        #[test]
        fn every_reading_writes_the_same_symbols(
            text in some("4,10", "[0-9]{3,4}"), new in any::<bool>(),
        ) {
            let marked = if new { Marked::Original } else { Marked::Retread };
            for tin in read(&text, marked, day()).unwrap_or_default() {
                prop_assert_eq!(tin.to_string().replace(' ', ""), text.clone());
                prop_assert!(tin.made().first_day() <= day());
            }
        }

        #[test]
        fn no_text_is_too_odd_to_be_answered(text in any::<String>(), new in any::<bool>()) {
            let marked = if new { Marked::Original } else { Marked::Retread };
            if let Err(error) = read(&text, marked, day()) {
                prop_assert!(!error.to_string().is_empty());
            }
        }

        /// Source: 49 CFR 574.5, Sunday to Saturday.
        #[test]
        fn every_day_is_in_one_week(days in 0i64..60_000) {
            let day = NaiveDate::from_ymd_opt(1950, 1, 1).unwrap() + chrono::Duration::days(days);
            let week = Week::of(day);
            prop_assert!(week.first_day() <= day && day <= week.last_day());
            prop_assert_eq!(week.first_day().weekday(), chrono::Weekday::Sun);
            prop_assert_eq!(Week::new(week.year(), week.number()), Ok(week));
            prop_assert_eq!(Week::of(week.last_day() + Days::new(1)).first_day(), week.last_day() + Days::new(1));
        }
    }

    /// Source: arithmetic on the first Sundays, which the day-of-week rule of the Gregorian
    /// calendar gives (ISO 8601 gives the same days other numbers).
    #[test]
    fn years_with_53_weeks() {
        let long: Vec<i32> = (2000..=2040).filter(|year| weeks_of(*year) == 53).collect();
        assert_eq!(long, [2000, 2006, 2012, 2017, 2023, 2028, 2034, 2040]);
        assert_eq!(
            Week::new(2018, 53),
            Err(TinError::NoSuchWeek { year: 2018, week: 53, last: 52 })
        );
    }

    /// Source: 49 CFR 574.5 for the week; counting days is arithmetic.
    #[test]
    fn age_is_known_to_a_week() {
        let date = |y, m, d| NaiveDate::from_ymd_opt(y, m, d).unwrap();
        let week = Week::new(2009, 1).unwrap();
        assert_eq!(week.age_days(date(2009, 1, 3)), None);
        assert_eq!(week.age_days(date(2009, 1, 6)), Some(0..=2));
        assert_eq!(week.age_days(date(2009, 1, 20)), Some(10..=16));
        assert_eq!(week.age_years(date(2016, 1, 3)), Some(6));
        assert_eq!(week.age_years(date(2016, 1, 4)), Some(7));
    }
}
