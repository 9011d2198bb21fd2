"""Asking room: what modules are asked over ISO 15765-4, in which order, and what is made of their answers.

Services of SAE J1979 are asked of all modules at once, as ISO 15765-4 has it; ISO 14229 one module after the other.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import udsoncan
from udsoncan.services import ReadDataByIdentifier, ReadDTCInformation, TesterPresent

from swapbridge.asking import decode_answers
from swapbridge.asking.decode_answers import BadAnswerError, Format
from swapbridge.asking.module_answers import Code, Module
from swapbridge.asking.session import MS, AskingSession, AskingStep, ModuleAnswer, Script
from swapbridge.core import obd
from swapbridge.core.identifier_words import EXTENDED_BIT, format_identifier, identifier_word, split_word

SEARCH_NS = 100 * MS
MOST_EXTENDED = 8
"""Codes of one module whose extended data are asked for."""
SILENCES_UNTIL_LEFT = 2
_USUAL_11 = {0x7E8: "engine computer", 0x7E9: "transmission"}
_USUAL_29 = {0x10: "engine computer", 0x18: "transmission", 0x28: "anti-lock brakes", 0x40: "body computer"}
"""Names by address: ISO 15765-4's recommendation and SAE J2178, from memory."""
_INFORMATION = {0x02: "VIN", 0x04: "calibration", 0x0A: "name"}
_SHORT = (0x03, 0x07, 0x0A)


@dataclass(slots=True)
class Gathered:
    """One module while it is being asked.

    Attributes
    ----------
    word : int
        The identifier word that it answers under.
    offers : set of int or None
        Items of service 01 that it offers; None when it does not speak service 01.
    """

    word: int
    offers: set[int] | None = None
    information: set[int] = field(default_factory=set)
    form: Format | None = None
    identification: dict[str, str] = field(default_factory=dict)
    codes: list[Code] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)
    watches: tuple[str, ...] = ()
    lamps: tuple[str, ...] = ()
    silences: int = 0

    def note(self, what: str) -> None:
        """Keep that a service was answered."""
        if what not in self.asked:
            self.asked.append(what)


@dataclass(slots=True)
class Interview:
    """Asks every module that ISO 15765-4 reaches, and those at given addresses.

    Parameters
    ----------
    texts : dict of str to str
        A user's table of texts by code.
    names : dict of str to str
        Names by answering identifier, as the person gave them.
    """

    texts: dict[str, str] = field(default_factory=dict)
    names: dict[str, str] = field(default_factory=dict)
    found: dict[int, Gathered] = field(default_factory=dict)

    def script(self, session: AskingSession) -> Script:
        """Everything that is asked, in order."""
        for extended in (False, True):
            yield from self._everybody(session, extended)
        for number in range(0x7E0, 0x7E8):
            yield from self._search(number + 8)
        for word in session.addresses:
            yield from self._search(word)
        for module in list(self.found.values()):
            yield from self._speed(session)
            yield from self._one(session, module)

    def modules(self, session: AskingSession) -> tuple[Module, ...]:
        """What was gathered, as values."""
        out = []
        for word in sorted(self.found):
            one = self.found[word]
            identifier, extended = split_word(word)
            request = session.addresses.get(word)
            if request is None:
                request = identifier_word(*obd.flow_control_identifier(identifier, extended))
            out.append(
                Module(
                    name=self._name(word),
                    request=format_identifier(*split_word(request)),
                    answer=format_identifier(identifier, extended),
                    protocol="29 bits" if extended else "11 bits",
                    identification=dict(one.identification),
                    codes=tuple(one.codes),
                    asked=tuple(one.asked),
                    watches=one.watches,
                    lamps=one.lamps,
                    remarks=tuple(session.remarks.get(word, ())),
                )
            )
        return tuple(out)

    def _name(self, word: int) -> str:
        identifier, extended = split_word(word)
        given = self.names.get(format_identifier(identifier, extended).upper())
        if given is not None:
            return given
        usual = _USUAL_29.get(identifier & 0xFF) if extended else _USUAL_11.get(identifier)
        return usual or f"module {format_identifier(identifier, extended)}"

    def _everybody(self, session: AskingSession, extended: bool) -> Script:
        """SAE J1979: who is there, and what all of them say."""
        for answer in (yield AskingStep(bytes([0x01, 0x00]), extended=extended, searching=True)):
            if answer.negative is None and len(answer.message) >= 6:
                self._module(answer.word).offers = set(obd.supported(0, answer.message[2:6]))
            else:
                self._module(answer.word)
        here = [one for one in self.found.values() if bool(one.word & EXTENDED_BIT) == extended]
        if not here:
            return
        yield from self._speed(session)
        if any(one.offers and 0x01 in one.offers for one in here):
            for answer in (yield AskingStep(bytes([0x01, 0x01]), extended=extended, searching=True)):
                self._read(session, answer, "01 01", self._monitor)
        for service in _SHORT:
            for answer in (yield AskingStep(bytes([service]), extended=extended, searching=True)):
                self._read(session, answer, f"{service:02X}", self._short(service))
        for answer in (yield AskingStep(bytes([0x09, 0x00]), extended=extended, searching=True)):
            if answer.negative is None and len(answer.message) >= 6:
                self._module(answer.word).information = set(obd.supported(0, answer.message[2:6]))
        for item, words in _INFORMATION.items():
            if any(item in one.information for one in here):
                for answer in (yield AskingStep(bytes([0x09, item]), extended=extended, searching=True)):
                    self._read(session, answer, f"09 {item:02X}", self._information(words))

    def _search(self, word: int) -> Script:
        """Whether a module answers that was not heard yet."""
        if word in self.found:
            return
        present = _payload(TesterPresent.make_request())
        for answer in (yield AskingStep(present, to=word, searching=True, wait_ns=SEARCH_NS)):
            self._module(answer.word)

    def _speed(self, session: AskingSession) -> Script:
        """Is the vehicle standing, and is anybody there?"""
        knows = next((one for one in self.found.values() if one.offers and 0x0D in one.offers), None)
        if knows is None:
            return
        for answer in (yield AskingStep(bytes([0x01, 0x0D]), extended=bool(knows.word & EXTENDED_BIT))):
            if answer.negative is None and len(answer.message) >= 3:
                session.set_speed(answer.message[2])

    def _one(self, session: AskingSession, module: Gathered) -> Script:
        """ISO 14229: one module."""
        function = ReadDTCInformation.Subfunction
        request = ReadDTCInformation.make_request
        mask = decode_answers.WHAT_FAILED

        def count(one: Gathered, message: bytes) -> None:
            one.form = decode_answers.code_format(message)

        def codes(one: Gathered, message: bytes) -> None:
            one.codes += decode_answers.long_codes(message, one.form, self.texts)

        def watched(one: Gathered, message: bytes) -> None:
            one.watches = decode_answers.watched(message, one.form)

        number = request(function.reportNumberOfDTCByStatusMask, status_mask=mask)
        yield from self._ask(session, module, number, "19 01", count)
        by_status = request(function.reportDTCByStatusMask, status_mask=mask)
        yield from self._ask(session, module, by_status, "19 02", codes)
        yield from self._extended(session, module)
        yield from self._ask(session, module, request(function.reportSupportedDTCs), "19 0A", watched)
        for item, words in decode_answers.IDENTIFICATION.items():
            asked = ReadDataByIdentifier.make_request([item], {item: decode_answers.Rest})
            yield from self._ask(session, module, asked, f"22 {item:04X}", self._identified(item, words), quiet=True)

    def _extended(self, session: AskingSession, module: Gathered) -> Script:
        function = ReadDTCInformation.Subfunction
        numbered = [
            (at, decode_answers.raw_number(one.text)) for at, one in enumerate(module.codes) if one.service == "19 02"
        ]
        for at, number in numbered[:MOST_EXTENDED]:
            if number is None:
                continue
            asked = ReadDTCInformation.make_request(
                function.reportDTCExtendedDataRecordByDTCNumber, dtc=number, extended_data_record_number=0xFF
            )

            def keep(one: Gathered, message: bytes, at: int = at, number: int = number) -> None:
                one.codes[at] = decode_answers.with_extended(
                    one.codes[at], decode_answers.extended_data(message, number)
                )

            yield from self._ask(session, module, asked, "19 06", keep, quiet=True)

    def _ask(
        self,
        session: AskingSession,
        module: Gathered,
        request: udsoncan.Request,
        what: str,
        take: Callable[[Gathered, bytes], None],
        *,
        quiet: bool = False,
    ) -> Script:
        """One question to one module; silence twice, and it is left alone."""
        if module.silences >= SILENCES_UNTIL_LEFT:
            return
        answers = yield AskingStep(_payload(request), to=module.word)
        if not answers:
            module.silences += 1
            if module.silences == SILENCES_UNTIL_LEFT and module.offers is None:
                session.remark(module.word, "does not answer ISO 14229 services")
            return
        module.silences = 0
        for answer in answers:
            self._read(session, answer, what, take, quiet=quiet)

    def _read(
        self,
        session: AskingSession,
        answer: ModuleAnswer,
        what: str,
        take: Callable[[Gathered, bytes], None],
        *,
        quiet: bool = False,
    ) -> None:
        module = self._module(answer.word)
        if answer.negative is not None:
            if not quiet:
                session.remark(answer.word, f"refuses {what}: {decode_answers.refusal(answer.negative)}")
            return
        try:
            take(module, answer.message)
        except BadAnswerError as error:
            session.remark(answer.word, str(error))
            return
        module.note(what[:2] if what[:2] in ("22", "09") else what)

    def _module(self, word: int) -> Gathered:
        return self.found.setdefault(word, Gathered(word))

    def _monitor(self, module: Gathered, message: bytes) -> None:
        if len(message) < 6:
            raise BadAnswerError("gives too short an answer to 01 01")
        module.lamps = ("malfunction",) if message[2] & 0x80 else ()

    def _short(self, service: int) -> Callable[[Gathered, bytes], None]:
        def take(module: Gathered, message: bytes) -> None:
            module.codes += decode_answers.short_codes(service, message, self.texts)

        return take

    def _information(self, words: str) -> Callable[[Gathered, bytes], None]:
        def take(module: Gathered, message: bytes) -> None:
            module.identification[words] = decode_answers.vehicle_information(message)

        return take

    def _identified(self, item: int, words: str) -> Callable[[Gathered, bytes], None]:
        def take(module: Gathered, message: bytes) -> None:
            module.identification[words] = decode_answers.identification(message, item)

        return take


def _payload(request: udsoncan.Request) -> bytes:
    return bytes(request.get_payload())
