"""Words of headers that announce a direct identifier, folded, in the languages that exports are often in."""

from __future__ import annotations


def words_of(text: str) -> frozenset[str]:
    """The words of a text."""
    return frozenset(text.split())


ALONE: dict[str, frozenset[str]] = {
    "a name": words_of(
        "name names fullname patientname clientname kundenname surname forename firstname lastname nickname username "
        "initials signature vorname nachname familienname patientenname spitzname nom prenom prénom nombre nombres "
        "apellido apellidos nome nomi cognome sobrenome naam voornaam achternaam navn fornavn etternavn efternavn namn "
        "förnamn efternamn nimi etunimi sukunimi imię imie nazwisko jméno příjmení név vezetéknév adı soyadı isim "
        "имя фамилия отчество 姓名 氏名 名前 이름 الاسم שם guardian"
    ),
    "a date of birth": words_of(
        "dob dobs gebdat gebdatum gebjahr geb birthday birthdate birthyear dateofbirth yearofbirth born naissance "
        "nascita nascimento nacimiento urodzenia narození рождения 生年月日 出生日期 생년월일"
    ),
    "an address": words_of(
        "address addresses street postcode zip zipcode city town plz ort/plz adres direccion dirección domicilio "
        "domicile indirizzo endereço adresa адрес 住所 地址 주소 العنوان"
    ),
    "a telephone number": words_of(
        "phone telephone phonenumber mobile cellphone fax tel mob handy whatsapp téléphone telephonenumber "
        "telefono teléfono telefone móvil movil celular cellulare puhelin телефон 電話 电话 전화 هاتف"
    ),
    "an e-mail address": words_of("email emails emailaddress mail courriel correo sähköposti eposta почта"),
    "a national or insurance number": words_of(
        "ssn nin nino bsn dni nie cpr ahv svnr pesel passport passeport passnummer iban medicare personnummer "
        "fødselsnummer henkilötunnus steuernummer ausweis ausweisnummer"
    ),
    "free text": words_of(
        "note notes comment comments remark remarks memo narrative freetext freitext notiz notizen anamnese anamnesis "
        "verlauf befund befunde remarque remarques commentaire commentaires nota notas opmerking opmerkingen "
        "observation observations observación observaciones observação comentario comentarios commento commenti uwagi "
        "poznámka poznámky megjegyzés huomautus примечание 備考 备注"
    ),
}
"""Words that announce an identifier wherever they stand in a header."""

BEGINNINGS: tuple[tuple[str, str], ...] = (
    ("geburtsname", "a name"),
    ("geburt", "a date of birth"),
    ("geboorte", "a date of birth"),
    ("fødsels", "a date of birth"),
    ("födelse", "a date of birth"),
    ("syntymä", "a date of birth"),
    ("adresse", "an address"),
    ("anschrift", "an address"),
    ("strasse", "an address"),
    ("hausn", "an address"),
    ("postleit", "an address"),
    ("wohn", "an address"),
    ("telefo", "a telephone number"),
    ("handyn", "a telephone number"),
    ("mobiltel", "a telephone number"),
    ("mobiln", "a telephone number"),
    ("versichert", "a national or insurance number"),
    ("versicherungs", "a national or insurance number"),
    ("sozialvers", "a national or insurance number"),
    ("krankenkass", "a national or insurance number"),
    ("reisepass", "a national or insurance number"),
    ("personalausweis", "a national or insurance number"),
    ("anmerkung", "free text"),
    ("bemerkung", "free text"),
    ("kommentar", "free text"),
)
"""Beginnings of words of languages that put words together."""

TOGETHER: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("a date of birth", ("birth",)),
    ("an address", ("postal", "code")),
    ("an address", ("post", "code")),
    ("an address", ("house", "number")),
    ("an address", ("house", "no")),
    ("an address", ("código", "postal")),
    ("a telephone number", ("contact", "number")),
    ("a telephone number", ("contact", "no")),
    ("a telephone number", ("cell", "number")),
    ("a telephone number", ("emergency", "contact")),
    ("an e-mail address", ("e", "mail")),
    ("a national or insurance number", ("national", "number")),
    ("a national or insurance number", ("national", "id")),
    ("a national or insurance number", ("national", "insurance")),
    ("a national or insurance number", ("social", "security")),
    ("a national or insurance number", ("insurance", "number")),
    ("a national or insurance number", ("insurance", "no")),
    ("a national or insurance number", ("insurance", "id")),
    ("a national or insurance number", ("policy", "number")),
    ("a national or insurance number", ("policy", "no")),
    ("a national or insurance number", ("nhs", "number")),
    ("a national or insurance number", ("nhs", "no")),
    ("a national or insurance number", ("nhs", "id")),
    ("a national or insurance number", ("sv", "nummer")),
    ("a national or insurance number", ("sv", "nr")),
    ("a national or insurance number", ("personal", "number")),
    ("a national or insurance number", ("identity", "card")),
    ("a national or insurance number", ("id", "card")),
    ("a national or insurance number", ("driving", "licence")),
    ("a national or insurance number", ("driving", "license")),
    ("a national or insurance number", ("codice", "fiscale")),
    ("a national or insurance number", ("bank", "account")),
    ("a national or insurance number", ("credit", "card")),
    ("free text", ("free", "text")),
    ("free text", ("medical", "history")),
    ("a name", ("next", "kin")),
)
"""Words that announce an identifier when all of them stand in a header."""

WHOLE: dict[str, str] = {
    "nhs": "a national or insurance number",
    "né le": "a date of birth",
    "née le": "a date of birth",
    "né e le": "a date of birth",
    "history": "free text",
    "description": "free text",
    "details": "free text",
    "message": "free text",
    "messages": "free text",
    "text": "free text",
}
"""Headers that are an identifier when they hold nothing else."""

NOT_A_PERSON = words_of(
    "zone area region site clinic device laser machine product drug agent cream file sheet brand model column field "
    "unit test procedure protocol preset mode shape dressing setting settings"
)
PATIENT = words_of("patient client customer maiden family given")
STAFF = words_of("practitioner operator doctor physician clinician nurse staff provider surgeon therapist user")
OF_SOMETHING_ELSE = frozenset({"a name", "a telephone number", "an address"})
"""What stands in a header with a device or a member of staff may be theirs: the name of a laser, a mobile one."""
