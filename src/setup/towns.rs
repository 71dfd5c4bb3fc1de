//! How high towns lie, for an owner who knows no altitude.

use unicode_normalization::UnicodeNormalization;

use super::notes::{Complaint, complaint};
use super::section::nearest;

/// Name, region, country and metres, one town a line, with where they are from.
const TOWNS: &str = include_str!("towns.csv");

/// Towns of one name that lie no farther apart than this, in metres, need not be told apart.
const SAME: f64 = 60.0;

/// How many towns of one name are listed at most.
const MOST_LISTED: usize = 8;

/// How far a shop may lie above or below its town's airport, in metres; 95 in 100 towns do not by more.
pub(super) const TOWN_ERROR: f64 = 100.0;

/// A town.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Town {
    /// Its name.
    pub name: &'static str,
    /// Its state, province or county.
    pub region: &'static str,
    /// Its country, by ISO 3166-1.
    pub country: &'static str,
    /// How high its airport lies above the sea.
    pub metres: f64,
}

impl std::fmt::Display for Town {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(out, "{}, {}, {}", self.name, self.region, self.country)
    }
}

/// The town that is meant by its name, or by its name with region or country behind commas.
pub(super) fn find(told: &str) -> Result<Town, Complaint> {
    let mut words = told.split(',').map(folded);
    let name = words.next().unwrap_or_default();
    let further: Vec<String> = words.collect();
    let fits = |town: &Town| further.iter().all(|word| [town.region, town.country].map(folded).contains(word));
    let named: Vec<Town> = towns().filter(|town| folded(town.name) == name).collect();
    let meant: Vec<Town> = named.iter().copied().filter(fits).collect();
    let heights = || meant.iter().map(|town| town.metres);
    let (lowest, highest) = (heights().fold(f64::INFINITY, f64::min), heights().fold(f64::NEG_INFINITY, f64::max));
    let list = |towns: &[Town]| {
        let shown = towns.iter().take(MOST_LISTED).map(|town| format!("{town} ({:.0} m)", town.metres));
        shown.collect::<Vec<_>>().join("; ")
    };
    match (meant.first(), named.is_empty()) {
        (Some(town), _) if highest - lowest <= SAME => Ok(*town),
        (Some(_), _) => {
            let wrong = format!("there are several towns named {told:?}");
            Err(complaint(wrong, list(&meant), "add the region or the country behind a comma"))
        }
        (None, false) => {
            let wrong = format!("{told:?} is not known");
            Err(complaint(wrong, list(&named), "write one of these, or altitude_m"))
        }
        (None, true) => {
            let near = nearest(&name, towns().map(|town| town.name));
            let meant = near.map_or(String::new(), |near| format!("write {near:?} if that is meant, or "));
            let limit = format!("{} towns that have an airport", towns().count());
            let remedy = format!("{meant}a larger town nearby that lies as high, or altitude_m, which a map shows");
            Err(complaint(format!("town {told:?} is not known"), limit, remedy))
        }
    }
}

fn towns() -> impl Iterator<Item = Town> {
    TOWNS.lines().filter(|line| !line.starts_with('#')).filter_map(|line| {
        let mut fields = line.split(';');
        let (name, region, country) = (fields.next()?, fields.next()?, fields.next()?);
        Some(Town { name, region, country, metres: fields.next()?.parse().ok()? })
    })
}

/// Small letters without accents or what stands between words.
fn folded(text: &str) -> String {
    let plain = |letter: char| match letter {
        'ł' => Some('l'),
        'ø' => Some('o'),
        'đ' | 'ð' => Some('d'),
        'ı' => Some('i'),
        letter => (letter.is_alphanumeric() && letter.is_ascii()).then_some(letter),
    };
    text.to_lowercase().replace('ß', "ss").replace('æ', "ae").nfd().filter_map(plain).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Heights of the towns themselves, from memory of common reference works, to 10 m or so.
    #[test]
    fn towns_lie_as_high_as_the_reference_works_say() {
        for (name, metres) in [
            ("Denver", 1609.0),
            ("Mexico City", 2240.0),
            ("Addis Ababa", 2355.0),
            ("Johannesburg", 1753.0),
            ("Nairobi", 1795.0),
            ("Madrid", 657.0),
            ("Munich", 519.0),
            ("Innsbruck", 574.0),
            ("Calgary", 1045.0),
            ("Kathmandu", 1400.0),
            ("Kunming", 1892.0),
            ("Quito", 2850.0),
            ("London, GB", 11.0),
            ("Poznan", 60.0),
            ("poznań", 60.0),
        ] {
            let town = find(name).unwrap_or_else(|said| panic!("{name}: {}", said.wrong));
            assert!((town.metres - metres).abs() <= 150.0, "{town}: {} for {metres}", town.metres);
        }
    }

    #[test]
    fn every_line_is_a_town_on_this_earth() {
        assert_eq!(towns().count(), TOWNS.lines().filter(|line| !line.starts_with('#')).count());
        assert!(towns().count() > 2000);
        for town in towns() {
            assert!((-430.0..=4500.0).contains(&town.metres) && town.country.len() == 2, "{town}");
            assert!(find(&town.to_string()).is_ok_and(|found| (found.metres - town.metres).abs() <= SAME), "{town}");
        }
    }

    #[test]
    fn a_name_that_many_towns_have_is_asked_back() {
        let Err(said) = find("Cordoba") else { panic!("there are two, 400 m apart") };
        assert!(said.limit.contains("AR (489 m)") && said.limit.contains("ES (91 m)"), "{}", said.limit);
        assert!(find("Cordoba, AR").is_ok() && find("Cordoba, ES").is_ok());
        assert!(find("Denver, GB").is_err() && find("Denvr").is_err());
    }
}
