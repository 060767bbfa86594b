//! The vehicle identification number's check digit (49 CFR 565.15(c); ISO 3779 leaves the ninth place to the maker, so not every market has one).

/// What is wrong with a vehicle identification number.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum VinFault {
    /// It does not have 17 characters.
    #[error("it has {0} characters, and a vehicle identification number has 17")]
    Length(usize),
    /// A character that no vehicle identification number has, with its place counted from 1.
    #[error(
        "\"{character}\" at place {place} is in no vehicle identification number (the letters I, O and Q are not used: 1 and 0 are)"
    )]
    Character {
        /// The character.
        character: char,
        /// Its place, from 1.
        place: usize,
    },
    /// The ninth character is not the one that the others ask for.
    #[error("its check digit (place 9) is \"{found}\", and the other characters ask for \"{wanted}\"")]
    CheckDigit {
        /// As written.
        found: char,
        /// As worked out.
        wanted: char,
    },
}

/// Weights of the 17 places (49 CFR 565.15, table IV); the check digit itself counts nothing.
const WEIGHTS: [u32; 17] = [8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2];

/// The number that a character stands for (49 CFR 565.15, table III); `None` for I, O, Q and all that is neither digit nor capital.
fn value(character: char) -> Option<u32> {
    match character {
        '0'..='9' => character.to_digit(10),
        'A'..='H' => Some(character as u32 - 'A' as u32 + 1),
        'J'..='N' => Some(character as u32 - 'J' as u32 + 1),
        'P' => Some(7),
        'R' => Some(9),
        'S'..='Z' => Some(character as u32 - 'S' as u32 + 2),
        _ => None,
    }
}

/// The number in capitals without blanks and dashes, as it is stored.
pub fn tidy_vin(written: &str) -> String {
    written.chars().filter(|c| !c.is_whitespace() && *c != '-').flat_map(char::to_uppercase).collect()
}

/// The form of a number that [`tidy_vin`] has tidied: 17 characters, each one that is used.
pub fn check_form(vin: &str) -> Result<(), VinFault> {
    let n = vin.chars().count();
    if n != WEIGHTS.len() {
        return Err(VinFault::Length(n));
    }
    match vin.chars().enumerate().find(|(_, c)| value(*c).is_none()) {
        Some((k, character)) => Err(VinFault::Character { character, place: k + 1 }),
        None => Ok(()),
    }
}

/// Form and check digit of a number that [`tidy_vin`] has tidied.
pub fn check_vin(vin: &str) -> Result<(), VinFault> {
    check_form(vin)?;
    let sum: u32 = vin.chars().zip(WEIGHTS).filter_map(|(c, weight)| value(c).map(|v| v * weight)).sum();
    let wanted = match sum % 11 {
        10 => 'X',
        rest => char::from_digit(rest, 10).unwrap_or('X'),
    };
    match vin.chars().nth(8) {
        Some(found) if found != wanted => Err(VinFault::CheckDigit { found, wanted }),
        _ => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Worked example of 49 CFR 565.15, "Calculation of a check digit": the sum is 411, its remainder by 11 is 4. It is quoted as the
    /// regulation prints it; the others are made from it.
    const PUBLISHED: &str = "1G4AH59H45G118341";

    #[test]
    fn the_published_example_has_its_check_digit() {
        assert_eq!(check_vin(PUBLISHED), Ok(()));
        // The example that the agency gives to new manufacturers: sum 314, remainder 6.
        assert_eq!(check_vin("1J9RP1A36A1644345"), Ok(()));
        // Seventeen ones: sum 89, remainder 1.
        assert_eq!(check_vin("11111111111111111"), Ok(()));
    }

    #[test]
    fn one_wrong_character_is_noticed_unless_its_weight_hides_it() {
        let mut unnoticed = 0;
        for place in (0..17).filter(|p| *p != 8) {
            for other in "0123456789ABCDEFGHJKLMNPRSTUVWXYZ".chars() {
                let changed: String =
                    PUBLISHED.chars().enumerate().map(|(k, c)| if k == place { other } else { c }).collect();
                let same_value = value(other) == value(PUBLISHED.chars().nth(place).unwrap());
                assert_eq!(check_vin(&changed).is_ok(), same_value, "{changed}");
                unnoticed += usize::from(same_value && changed != PUBLISHED);
            }
        }
        // Letters that stand for the same number are exchanged unnoticed: the reason why a right check digit proves little.
        assert!(unnoticed > 0);
    }

    #[test]
    fn faults_of_form_are_named() {
        assert_eq!(check_vin("1G4AH59H45G11834"), Err(VinFault::Length(16)));
        assert_eq!(check_vin("IG4AH59H45G118341"), Err(VinFault::Character { character: 'I', place: 1 }));
        assert_eq!(check_vin("1G4AH59H45G11834é"), Err(VinFault::Character { character: 'é', place: 17 }));
        assert_eq!(check_vin("1G4AH59HX5G118341"), Err(VinFault::CheckDigit { found: 'X', wanted: '4' }));
        assert_eq!(tidy_vin(" 1g4ah59h4 5g-118341\n"), PUBLISHED);
    }
}
