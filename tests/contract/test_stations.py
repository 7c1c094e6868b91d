"""The station kit over each kind: in memory where the kind allows, and over real sockets."""

import pytest

from adapters.kit import StationConformance
from tests.rigs.composed import ComposedRig, PrinterAndMachine
from tests.rigs.folder import FolderRig
from tests.rigs.http_station import HttpRig
from tests.rigs.modbus import LittleEndianModbusRig, ModbusRig
from tests.rigs.mqtt import MqttRig
from tests.rigs.opcua import OpcUaRig
from tests.rigs.serial import CountedSerialRig, SerialRig
from tests.rigs.simulated import (
    AskedPrinterRig,
    CountedPrinterRig,
    MemoryCountedRig,
    MemoryPrinterRig,
    MemorySimulatedRig,
    PrinterRig,
    SimulatedRig,
)

_NO_ADDRESS = {
    "test_network_that_dribbles_changes_nothing": "an in-memory line has no network",
    "test_network_that_resets_amid_a_label_the_fate_is_unknown": "an in-memory line has no network",
    "test_line_that_the_peer_half_closed_is_not_trusted": "an in-memory line has no network",
}
_NO_REFUSAL = {
    "test_refused_job_is_refused_and_not_printed": "a printer language has no way to refuse",
}
_UNASKED = {
    "test_station_out_of_labels_needs_a_person": "without a status query nothing is known",
}


class TestSimulatedOnSockets(StationConformance):
    kind = "simulated"
    far_end = SimulatedRig


class TestSimulatedInMemory(StationConformance):
    kind = "simulated"
    far_end = MemorySimulatedRig
    exempt = _NO_ADDRESS


class TestRawTcp(StationConformance):
    kind = "tcp"
    far_end = PrinterRig
    exempt = _NO_REFUSAL | _UNASKED


class TestRawTcpThatAsks(StationConformance):
    kind = "tcp"
    far_end = AskedPrinterRig
    exempt = _NO_REFUSAL


class TestCountedTcp(StationConformance):
    kind = "tcp-counted"
    far_end = CountedPrinterRig
    exempt = _NO_REFUSAL


class TestPrinterInMemory(StationConformance):
    kind = "tcp"
    far_end = MemoryPrinterRig
    exempt = _NO_REFUSAL | _NO_ADDRESS


class TestCountedPrinterInMemory(StationConformance):
    kind = "tcp-counted"
    far_end = MemoryCountedRig
    exempt = _NO_REFUSAL | _NO_ADDRESS


_NO_NETWORK = {
    "test_network_that_dribbles_changes_nothing": "a serial line has no address to stand before",
    "test_network_that_resets_amid_a_label_the_fate_is_unknown": "a serial line has no address",
    "test_line_that_the_peer_half_closed_is_not_trusted": "a serial line can't be half closed",
}


class TestSerial(StationConformance):
    kind = "serial"
    far_end = SerialRig
    exempt = _NO_REFUSAL | _NO_NETWORK


class TestCountedSerial(StationConformance):
    kind = "serial-counted"
    far_end = CountedSerialRig
    exempt = _NO_REFUSAL | _NO_NETWORK


_NO_STANDING_LINE = {
    "test_opened_twice_it_has_one_line": "each request has its own connection",
    "test_opened_by_two_tasks_at_once_it_has_one_line": "each request has its own connection",
    "test_network_that_dribbles_changes_nothing": "its address is a URL",
    "test_network_that_resets_amid_a_label_the_fate_is_unknown": "its address is a URL",
    "test_line_that_the_peer_half_closed_is_not_trusted": "its address is a URL",
    "test_reports_of_a_lost_line_end_without_an_error": "signed reports need no line",
}


class TestHttpStation(StationConformance):
    kind = "http"
    far_end = HttpRig
    exempt = _NO_STANDING_LINE


class TestFolder(StationConformance):
    kind = "folder"
    far_end = FolderRig
    exempt = {
        "test_opened_twice_it_has_one_line": "a folder has no line",
        "test_opened_by_two_tasks_at_once_it_has_one_line": "a folder has no line",
        "test_network_that_dribbles_changes_nothing": "a folder has no line",
        "test_network_that_resets_amid_a_label_the_fate_is_unknown": "a folder has no line",
        "test_line_that_the_peer_half_closed_is_not_trusted": "a folder has no line",
        "test_line_cut_amid_a_label_the_fate_is_unknown": "a renamed file is whole or not there",
        "test_after_a_cut_the_next_label_is_whole": "a renamed file is whole or not there",
        "test_fate_after_a_cut_is_not_printed": "a renamed file is whole or not there",
        "test_fate_after_a_lost_answer_is_printed": "the receipt is all that can be asked",
        "test_station_out_of_labels_needs_a_person": "a folder tells nothing of the machine",
    }


class TestMqtt(StationConformance):
    kind = "mqtt"
    far_end = MqttRig


_NO_LABEL = {
    "test_receipt_tells_the_bytes_that_left": "a machine line carries no label",
    "test_label_in_other_scripts_arrives": "a machine line carries no label",
    "test_label_in_the_line_language_arrives": "a machine line carries no label",
    "test_job_id_with_odd_signs_is_kept_apart": "a machine line carries the job id, not the code",
}


class TestModbus(StationConformance):
    kind = "modbus"
    far_end = ModbusRig
    exempt = _NO_LABEL


class TestModbusLowWordFirst(StationConformance):
    kind = "modbus"
    far_end = LittleEndianModbusRig
    exempt = _NO_LABEL


class TestComposed(StationConformance):
    kind = PrinterAndMachine
    far_end = ComposedRig
    exempt = {
        "test_declaration_claims_and_methods_agree": "its abilities are those of its parts",
        "test_network_that_dribbles_changes_nothing": "each line of the station is tested alone",
        "test_network_that_resets_amid_a_label_the_fate_is_unknown": "each line is tested alone",
        "test_line_that_the_peer_half_closed_is_not_trusted": "each line is tested alone",
        "test_refused_job_is_refused_and_not_printed": "the label is out when the machine refuses",
    }


@pytest.mark.usefixtures("machine_server")
class TestOpcUa(StationConformance):
    kind = "opcua"
    far_end = OpcUaRig
    exempt = _NO_LABEL | {
        "test_network_that_dribbles_changes_nothing": "its address is a URL",
        "test_network_that_resets_amid_a_label_the_fate_is_unknown": "its address is a URL",
        "test_line_that_the_peer_half_closed_is_not_trusted": "its address is a URL",
        "test_garbage_from_the_peer_is_no_success": "the server of the rig can't babble",
        "test_after_garbage_the_next_job_prints": "the server of the rig can't babble",
        "test_refused_job_is_refused_and_not_printed": "the server of the rig can't refuse",
    }
