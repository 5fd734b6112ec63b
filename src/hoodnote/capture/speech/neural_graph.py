"""The speech model's decoder as three lean networks: what it keeps of a sound, one step of it, and the tokens that may be written then.

The network of its package works out shapes and masks anew at each of its 900 nodes, which takes longer than its products do. Here are the
same products of the same stored weights in a quarter of the nodes; the results are the same. Names are those of the package's network.
"""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from onnx import NodeProto

LAYERS, HEADS, HEAD_WIDTH = 6, 8, 36
WIDTH = HEADS * HEAD_WIDTH
LONGEST = 512                    # tokens of a transcript
_SCALE = 1 / HEAD_WIDTH ** 0.5
_OPSET, _IR_VERSION = 18, 9      # of ONNX; the operators beside its own are onnxruntime's
_OWN = "com.microsoft"
_SMALL = 1e-5                    # of the layers' normalization
_TURNS = "onnx::Expand_248"      # constant of the package's network: how fast each pair of a head's numbers turns with the place of its token
KEPT = tuple(f"{layer}.{kind}" for layer in range(LAYERS) for kind in ("key", "value"))


class Stored(NamedTuple):
    """Weights of one product in 8 bits, (in, out); scale and zero, of the last product for all of them, elsewhere perhaps for each column; what is added."""

    weights: np.ndarray
    scale: np.ndarray
    zero: np.ndarray
    added: np.ndarray | None


class Decoder:
    """The package's decoder, read once to be written anew. Raises what onnxruntime, onnx and a missing node raise."""

    def __init__(self, path: Path):
        import onnx
        import onnxruntime

        with tempfile.TemporaryDirectory(prefix="hoodnote-") as folder:
            options = onnxruntime.SessionOptions()
            options.graph_optimization_level = onnxruntime.GraphOptimizationLevel.ORT_DISABLE_ALL
            options.log_severity_level = 3
            options.optimized_model_filepath = str(Path(folder) / "decoder.onnx")
            onnxruntime.InferenceSession(str(path), options, providers=["CPUExecutionProvider"])
            graph = onnx.load(options.optimized_model_filepath).graph
        branches = [a.g for node in graph.node if node.op_type == "If" for a in node.attribute]      # with and without an earlier step
        self._constants = {c.name: c for g in (graph, *branches) for c in g.initializer}
        self._made_by = {name: node for g in branches for node in g.node for name in node.output}

    def constant(self, name: str) -> np.ndarray:
        from onnx import numpy_helper

        return numpy_helper.to_array(self._constants[name])

    def node(self, made: str) -> NodeProto:
        return self._made_by[made]

    def stored(self, made: str) -> Stored:
        """Of the product that makes this."""
        node = self.node(made)
        names = list(node.input)
        if node.op_type == "MatMulIntegerToFloat":
            return Stored(self.constant(names[1]), self.constant(names[3]), self.constant(names[5]), None)
        return Stored(*map(self.constant, names[1:4]), self.constant(names[4]) if names[4:] and names[4] else None)


class _Writer:
    """A network in the making."""

    def __init__(self) -> None:
        self._nodes: list = []
        self._constants: dict[str, np.ndarray] = {}
        for name, shape in (("in heads", [0, 0, HEADS, HEAD_WIDTH]), ("as one", [1, -1, WIDTH])):
            self.constant(name, np.array(shape, np.int64))

    def constant(self, name: str, values: np.ndarray) -> str:
        self._constants[name] = values
        return name

    def node(self, kind: str, inputs: Sequence[str], *outputs: str, own: bool = False, **attributes: object) -> str:
        from onnx import helper

        self._nodes.append(helper.make_node(kind, list(inputs), list(outputs), domain=_OWN if own else "", **attributes))
        return outputs[0]

    def product(self, of: str, stored: Stored, made: str) -> str:
        names = [self.constant(f"{made} {part}", values) for part, values in zip(Stored._fields, stored, strict=True) if values is not None]
        return self.node("DynamicQuantizeMatMul", [of, *names], made, own=True)

    def normalized(self, of: str, scale: np.ndarray, made: str) -> str:
        return self.node("LayerNormalization", [of, self.constant(f"{made} scale", scale)], made, axis=-1, epsilon=_SMALL)

    def heads(self, of: str, made: str) -> str:
        return self.node("Transpose", [self.node("Reshape", [of, "in heads"], f"{made} reshaped")], made, perm=[0, 2, 1, 3])

    def attended(self, inputs: Sequence[str], *outputs: str) -> str:
        """What a query takes from values by their keys, whole again; see onnxruntime's contrib operator for the inputs and outputs beyond them."""
        return self.node("MultiHeadAttention", inputs, *outputs, own=True, num_heads=HEADS, scale=_SCALE)

    def written(self, inputs: dict[str, type], outputs: Sequence[str]) -> bytes:
        from onnx import TensorProto, helper, numpy_helper

        kinds = {float: TensorProto.FLOAT, int: TensorProto.INT64}
        graph = helper.make_graph(
            self._nodes, "decoder", [helper.make_tensor_value_info(name, kinds[kind], None) for name, kind in inputs.items()],
            [helper.make_tensor_value_info(name, TensorProto.FLOAT, None) for name in outputs],
            [numpy_helper.from_array(np.ascontiguousarray(values), name) for name, values in self._constants.items()])
        imports = [helper.make_opsetid("", _OPSET), helper.make_opsetid(_OWN, 1)]
        return helper.make_model(graph, opset_imports=imports, ir_version=_IR_VERSION).SerializeToString()


def across_network(decoder: Decoder) -> bytes:
    """sound (1, frames, WIDTH) -> KEPT, keys and values over the sound, each (1, HEADS, frames, HEAD_WIDTH)."""
    out = _Writer()
    quantized = ("sound quantized", "sound scale", "sound zero")
    out.node("DynamicQuantizeLinear", ["sound"], *quantized)
    for kept in KEPT:
        layer, kind = kept.split(".")
        stored = decoder.stored(f"/model/decoder/layers.{layer}/encoder_attn/{kind[0]}_proj/MatMul_output_0")
        weights, scale, zero = (out.constant(f"{kept} {part}", values) for part, values in zip(Stored._fields, stored[:3], strict=False))
        made = out.node("MatMulIntegerToFloat", [quantized[0], weights, quantized[1], scale, quantized[2], zero], f"{kept} made", own=True)
        out.heads(made, kept)
    return out.written({"sound": float}, KEPT)


def step_network(decoder: Decoder) -> bytes:
    """tokens and their places (rows, tokens), mask (1, 1, tokens, all tokens), "past ..." and "across ..." of KEPT -> "known", what is known then,
    (rows, tokens, WIDTH), and KEPT, keys and values over all tokens, each (rows, HEADS, all tokens, HEAD_WIDTH)."""
    out = _Writer()
    turns = np.arange(LONGEST, dtype=np.float32)[:, None] * decoder.constant(_TURNS).reshape(-1)
    out.constant("cos", np.cos(turns))
    out.constant("sin", np.sin(turns))
    out.constant("three", np.full(3, WIDTH, np.int64))
    embedded = decoder.node("/model/decoder/embed_tokens/Gather_output_0")
    table = out.constant("table", decoder.constant(decoder.node(embedded.input[0]).input[0]))
    rows = out.node("Gather", [table, "tokens"], "rows", axis=0)
    x = out.node("DequantizeLinear", [rows, *(out.constant(f"table {i}", decoder.constant(name)) for i, name in enumerate(embedded.input[1:]))], "embedded")
    out.node("Shape", [x], "shape")
    for layer in range(LAYERS):
        x = _layer(out, decoder, layer, x)
    out.normalized(x, _scale(decoder, "norm"), "known")
    kept = {f"{when} {name}": float for when in ("past", "across") for name in KEPT}
    return out.written({"tokens": int, "places": int, "mask": float, **kept}, ["known", *KEPT])


def logs_network(last: Stored) -> bytes:
    """"known" of a step -> "logs", natural logs of the next token, (rows, tokens, columns of `last`): of those alone, as if there were no others."""
    out = _Writer()
    out.node("LogSoftmax", [out.product("known", last, "logits")], "logs", axis=-1)
    return out.written({"known": float}, ["logs"])


def _layer(out: _Writer, decoder: Decoder, layer: int, x: str) -> str:
    name = f"/model/decoder/layers.{layer}/"
    n = f"layer {layer} "
    normal = out.normalized(x, _scale(decoder, f"layers.{layer}/input_layernorm"), n + "normal")
    parts = [decoder.stored(f"{name}self_attn/{kind}_proj/MatMul_output_0") for kind in "qkv"]
    together = Stored(np.concatenate([p.weights for p in parts], axis=1), *(np.concatenate([np.full(WIDTH, p[i]) for p in parts]) for i in (1, 2)), None)
    out.node("Split", [out.product(normal, together, n + "all three"), "three"], n + "q", n + "k", n + "v", axis=-1)
    turned = 2 * decoder.constant(_TURNS).size           # of a head's numbers
    for part in "qk":
        out.node("RotaryEmbedding", [n + part, "places", "cos", "sin"], f"{n}{part} turned", own=True, interleaved=1, num_heads=HEADS,
                 rotary_embedding_dim=turned)
    own = out.attended([n + "q turned", n + "k turned", n + "v", "", "", "mask", f"past {layer}.key", f"past {layer}.value"],
                       n + "own", f"{layer}.key", f"{layer}.value")
    x = out.node("Add", [x, out.product(own, decoder.stored(name + "self_attn/o_proj/MatMul_output_0"), n + "own out")], n + "with own")

    normal = out.normalized(x, _scale(decoder, f"layers.{layer}/post_attention_layernorm"), n + "normal 2")
    query = out.product(normal, decoder.stored(name + "encoder_attn/q_proj/MatMul_output_0"), n + "query 2")
    # the sound is the same for all rows, so that they are looked up in it as if they were one
    as_one = out.node("Reshape", [query, "as one"], n + "as one")
    attended = out.attended([as_one, f"across {layer}.key", f"across {layer}.value"], n + "attended")
    heard = out.node("Reshape", [attended, "shape"], n + "heard")
    x = out.node("Add", [x, out.product(heard, decoder.stored(name + "encoder_attn/o_proj/MatMul_output_0"), n + "heard out")], n + "with heard")

    normal = out.normalized(x, _scale(decoder, f"layers.{layer}/final_layernorm"), n + "normal 3")
    wide = out.product(normal, decoder.stored(name + "mlp/fc1/Add_output_0"), n + "wide")
    out.node("Split", [wide], n + "first", n + "gate", axis=-1, num_outputs=2)
    gated = out.node("Mul", [out.node("QuickGelu", [n + "gate"], n + "open", own=True, alpha=1.0), n + "first"], n + "gated")
    return out.node("Add", [x, out.product(gated, decoder.stored(name + "mlp/fc2/Add_output_0"), n + "narrow")], n + "out")


def _scale(decoder: Decoder, name: str) -> np.ndarray:
    return decoder.constant(decoder.node(f"/model/decoder/{name}/LayerNormalization_output_0").input[1])
