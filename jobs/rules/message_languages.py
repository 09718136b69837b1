"""What messages to customers say in other languages than the pages': the starting words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from jobs.rules.messages import Words


@dataclass(frozen=True, slots=True)
class Language:
    """A language of messages: its name, and by kind of message its starting words; blanks are filled by catalogs."""

    name: str
    words: Mapping[str, Words]


_ES_END: Final = "\nTrabajo {number}. {contact}."
_ES_LINK: Final = "\nVea su visita: {link}"
_FR_END: Final = "\nDossier {number}. {contact}."
_FR_LINK: Final = "\nVoir votre visite : {link}"

SPANISH: Final = Language(
    "Spanish",
    {
        "confirmation": Words(
            "Su cita: {window}",
            "{customer}: vendremos a {what} el {window}.\nDirección: {address}.\nTomará unos {stay}."
            + _ES_END + _ES_LINK,
            "Vendremos a {what} el {window}. Trabajo {number}. {contact}." + _ES_LINK,
        ),
        "change": Words(
            "Nueva hora de su cita: {window}",
            "{customer}: la hora de nuestra visita ha cambiado. Vendremos a {what} el {window}.\n"
            "Dirección: {address}.\nTomará unos {stay}." + _ES_END + _ES_LINK,
            "Nueva hora: vendremos a {what} el {window}. Trabajo {number}. {contact}." + _ES_LINK,
        ),
        "cancellation": Words(
            "Su cita está cancelada: {window}",
            "{customer}: nuestra visita para {what} el {window} está cancelada." + _ES_END,
            "Nuestra visita el {window} está cancelada. Trabajo {number}. {contact}.",
        ),
        "reminder": Words(
            "Recordatorio: {window}",
            "{customer}: vendremos a {what} el {window}.\nDirección: {address}.\nTomará unos {stay}. Por favor, "
            "despeje el espacio frente a las ventanas." + _ES_END + _ES_LINK,
            "Recordatorio: vendremos a {what} el {window}. Trabajo {number}. {contact}." + _ES_LINK,
        ),
        "leaving": Words(
            "Ya salimos",
            "{customer}: ya salimos y esperamos llegar {expected}." + _ES_END,
            "Ya salimos y esperamos llegar {expected}. Trabajo {number}. {contact}.",
        ),
        "done": Words(
            "Sus cortinas y persianas están instaladas",
            "{customer}: por hoy terminamos nuestro trabajo en {address}. Adjuntamos el informe: qué se instaló, cómo "
            "cuidarlo y a quién llamar." + _ES_END,
            "Por hoy terminamos nuestro trabajo en {address}. ¿Preguntas? Trabajo {number}. {contact}.",
        ),
        "serviced": Words(
            "Terminamos nuestra visita de servicio",
            "{customer}: por hoy terminamos la visita de servicio en {address}. Adjuntamos el informe: qué falló, qué "
            "hicimos y a quién llamar." + _ES_END,
            "Terminamos la visita de servicio en {address}. ¿Preguntas? Trabajo {number}. {contact}.",
        ),
        "return_trip": Words(
            "Volveremos para terminar el trabajo {number}",
            "{customer}: tenemos que volver para {what}. Le llamaremos para acordar la hora." + _ES_END,
            "Tenemos que volver para {what}. Le llamaremos para acordar la hora. Trabajo {number}. {contact}.",
        ),
        "approval": Words(
            "Su aprobación del trabajo {number}",
            "{customer}: antes de fabricar sus cortinas y persianas necesitamos que apruebe medidas y opciones. Por "
            "favor, llámenos." + _ES_END,
            "Necesitamos su aprobación antes de fabricar. Por favor, llámenos. Trabajo {number}. {contact}.",
        ),
        "deposit": Words(
            "Su depósito del trabajo {number}",
            "{customer}: antes de pedir y fabricar sus cortinas y persianas necesitamos su depósito. Por favor, "
            "llámenos." + _ES_END,
            "Necesitamos su depósito antes de fabricar. Por favor, llámenos. Trabajo {number}. {contact}.",
        ),
    },
)  # fmt: skip

FRENCH: Final = Language(
    "French",
    {
        "confirmation": Words(
            "Votre rendez-vous : {window}",
            "{customer} : nous viendrons {what} le {window}.\nAdresse : {address}.\nCela prend environ {stay}."
            + _FR_END + _FR_LINK,
            "Nous viendrons {what} le {window}. Dossier {number}. {contact}." + _FR_LINK,
        ),
        "change": Words(
            "Nouvelle heure de votre rendez-vous : {window}",
            "{customer} : l'heure de notre visite a changé. Nous viendrons {what} le {window}.\n"
            "Adresse : {address}.\nCela prend environ {stay}." + _FR_END + _FR_LINK,
            "Nouvelle heure : nous viendrons {what} le {window}. Dossier {number}. {contact}." + _FR_LINK,
        ),
        "cancellation": Words(
            "Votre rendez-vous est annulé : {window}",
            "{customer} : notre visite pour {what} le {window} est annulée." + _FR_END,
            "Notre visite le {window} est annulée. Dossier {number}. {contact}.",
        ),
        "reminder": Words(
            "Rappel : {window}",
            "{customer} : nous viendrons {what} le {window}.\nAdresse : {address}.\nCela prend environ {stay}. "
            "Dégagez l'espace devant les fenêtres, s'il vous plaît." + _FR_END + _FR_LINK,
            "Rappel : nous viendrons {what} le {window}. Dossier {number}. {contact}." + _FR_LINK,
        ),
        "leaving": Words(
            "Nous partons maintenant",
            "{customer} : nous partons maintenant et pensons être chez vous {expected}." + _FR_END,
            "Nous partons maintenant et pensons être chez vous {expected}. Dossier {number}. {contact}.",
        ),
        "done": Words(
            "Vos stores sont posés",
            "{customer} : notre travail au {address} est terminé pour aujourd'hui. Le relevé est joint : ce qui a été "
            "posé, l'entretien et qui appeler." + _FR_END,
            "Notre travail au {address} est terminé pour aujourd'hui. Des questions ? Dossier {number}. {contact}.",
        ),
        "serviced": Words(
            "Notre visite de service est terminée",
            "{customer} : notre visite de service au {address} est terminée pour aujourd'hui. Le relevé est joint : le "
            "défaut, ce que nous avons fait et qui appeler." + _FR_END,
            "Notre visite de service au {address} est terminée. Des questions ? Dossier {number}. {contact}.",
        ),
        "return_trip": Words(
            "Nous reviendrons terminer le dossier {number}",
            "{customer} : nous devons revenir pour {what}. Nous vous appellerons pour convenir de l'heure." + _FR_END,
            "Nous devons revenir pour {what}. Nous vous appellerons. Dossier {number}. {contact}.",
        ),
        "approval": Words(
            "Votre accord pour le dossier {number}",
            "{customer} : avant de fabriquer vos stores, il nous faut votre accord sur les mesures et les options. "
            "Appelez-nous, s'il vous plaît." + _FR_END,
            "Il nous faut votre accord avant de fabriquer. Appelez-nous, s'il vous plaît. Dossier {number}. {contact}.",
        ),
        "deposit": Words(
            "Votre acompte pour le dossier {number}",
            "{customer} : avant de commander et de fabriquer vos stores, il nous faut votre acompte. Appelez-nous, "
            "s'il vous plaît." + _FR_END,
            "Il nous faut votre acompte avant de fabriquer. Appelez-nous. Dossier {number}. {contact}.",
        ),
    },
)  # fmt: skip

LANGUAGES: Final[Mapping[str, Language]] = {"es": SPANISH, "fr": FRENCH}
"""By the key that a customer and a branch's own words have; the pages' own language is not among them."""
