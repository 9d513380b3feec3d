"""Messages to an MQTT broker (OASIS MQTT 3.1.1); see `messages` for the topic tree.

A broker that is away stops nothing: cycles are queued up to a bound and sent when it is back, live readings
are dropped.
"""

from __future__ import annotations

import os
import re
import time
from typing import Any, Final

from pydantic import BaseModel

from steadyram.cycles.collect_config import BrokerEntry
from steadyram.cycles.messages import CycleMessage, Live, Online, StateMessage, VerdictMessage
from steadyram.errors import BadInput

_QUEUE_MOST: Final = 10_000
_GOODBYE_S: Final = 3.0


class Broker:
    """A connection to the broker that keeps itself up."""

    def __init__(self, entry: BrokerEntry) -> None:
        """Begin connecting; does not wait for it. Raises BadInput without the library or the password."""
        try:
            from paho.mqtt import client as mqtt
            from paho.mqtt.enums import CallbackAPIVersion
        except ImportError:
            raise BadInput(
                "A broker needs paho-mqtt; install it with pip install 'steadyram[shop]'."
            ) from None
        self._entry = entry
        self._client: Any = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id=f"steadyram-{entry.client}", clean_session=True
        )
        if entry.username is not None:
            password = None
            if entry.password_env is not None:
                password = os.environ.get(entry.password_env)
                if password is None:
                    raise BadInput(
                        f"The broker's password belongs in {entry.password_env}, which is not set."
                    )
            self._client.username_pw_set(entry.username, password)
        if entry.tls:
            self._client.tls_set()
        self._own = f"{entry.prefix}/collector/{entry.client}/online"
        self._client.will_set(self._own, self._online(False).model_dump_json(), qos=1, retain=True)
        self._client.max_queued_messages_set(_QUEUE_MOST)
        self._client.reconnect_delay_set(1, 30)
        self._client.on_connect = self._connected
        # What is retained is said again after the broker was away: it may have forgotten.
        self._retained: dict[str, str] = {}
        self._client.connect_async(entry.host, entry.port, keepalive=20)
        self._client.loop_start()

    @property
    def connected(self) -> bool:
        """True while the broker is there."""
        return bool(self._client.is_connected())

    def online(self, uid: str, online: bool, name: str) -> None:
        """Say whether a device is reached."""
        self._retain(self._topic(uid, "online"), self._online(online, name))

    def state(self, message: StateMessage) -> None:
        """Say what state a device is in."""
        self._retain(self._topic(message.uid, "state"), message)

    def live(self, message: Live) -> None:
        """Say a live reading; dropped while the broker is away."""
        if self.connected:
            self._client.publish(self._topic(message.uid, "live"), message.model_dump_json(), qos=0)

    def cycle(self, message: CycleMessage) -> None:
        """Say that a stroke's record is in the store."""
        self._client.publish(self._topic(message.uid, "cycle"), message.model_dump_json(), qos=1)

    def verdict(self, message: VerdictMessage) -> None:
        """Tell what was said of a stroke's part."""
        self._client.publish(self._topic(message.uid, "verdict"), message.model_dump_json(), qos=1)

    def close(self) -> None:
        """Say goodbye and let go."""
        if self.connected:
            said = self._client.publish(self._own, self._online(False).model_dump_json(), qos=1, retain=True)
            until = time.monotonic() + _GOODBYE_S
            while not said.is_published() and time.monotonic() < until:
                time.sleep(0.02)
        self._client.disconnect()
        self._client.loop_stop()

    # ------------------------------------------------------------ inside
    def _retain(self, topic: str, message: BaseModel) -> None:
        text = message.model_dump_json()
        self._retained[topic] = text
        if self.connected:
            self._client.publish(topic, text, qos=1, retain=True)

    def _connected(self, client: Any, *_: object) -> None:
        client.publish(self._own, self._online(True).model_dump_json(), qos=1, retain=True)
        for topic, text in list(self._retained.items()):
            client.publish(topic, text, qos=1, retain=True)

    def _topic(self, uid: str, what: str) -> str:
        return f"{self._entry.prefix}/{re.sub(r'[+#/]', '_', uid)}/{what}"

    @staticmethod
    def _online(online: bool, name: str = "") -> Online:
        return Online(online=online, at_unix=int(time.time()), name=name)
