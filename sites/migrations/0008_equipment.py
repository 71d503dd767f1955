"""Blocks, supplies, amplifiers, switches and endpoints, with their dated facts."""

import django.db.models.deletion
from django.db import migrations, models

import sites.models.dated


class Migration(migrations.Migration):
    dependencies = [
        ("sites", "0007_closets_contacts_and_secrets"),
    ]

    operations = [
        migrations.CreateModel(
            name="Amplifier",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "begin_step",
                    models.BigIntegerField(db_default=sites.models.dated.CurrentStep(), editable=False),
                ),
                ("end_step", models.BigIntegerField(blank=True, editable=False, null=True)),
                ("name", models.CharField(max_length=80)),
                ("outlet", models.CharField(blank=True, max_length=120)),
                ("breaker", models.CharField(blank=True, max_length=120)),
                ("note", models.TextField(blank=True)),
                (
                    "change_set",
                    models.ForeignKey(
                        db_constraint=False,
                        db_default=sites.models.dated.CurrentChangeSet(),
                        db_index=False,
                        editable=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="sites.changeset",
                    ),
                ),
                (
                    "closet",
                    models.ForeignKey(
                        db_constraint=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="amplifiers",
                        to="sites.closet",
                    ),
                ),
                (
                    "site",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="+", to="sites.site"
                    ),
                ),
            ],
            options={
                "db_table": "amplifier",
                "ordering": ["name", "id"],
            },
        ),
        migrations.CreateModel(
            name="AmplifierFacts",
            fields=[
                ("step", models.BigIntegerField(db_default=sites.models.dated.CurrentStep(), editable=False)),
                (
                    "pk",
                    models.CompositePrimaryKey(
                        "amplifier_id", "step", blank=True, editable=False, primary_key=True, serialize=False
                    ),
                ),
                (
                    "line_voltage_v",
                    models.FloatField(
                        blank=True,
                        help_text="25, 70.7 or 100 for a constant-voltage line; blank for low impedance.",
                        null=True,
                    ),
                ),
                (
                    "amplifier",
                    models.ForeignKey(
                        db_constraint=False,
                        db_index=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="facts",
                        to="sites.amplifier",
                    ),
                ),
                (
                    "change_set",
                    models.ForeignKey(
                        db_constraint=False,
                        db_default=sites.models.dated.CurrentChangeSet(),
                        db_index=False,
                        editable=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="sites.changeset",
                    ),
                ),
                (
                    "model",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="sites.devicemodel",
                    ),
                ),
                (
                    "site",
                    models.ForeignKey(
                        db_constraint=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="sites.site",
                    ),
                ),
            ],
            options={
                "db_table": "amplifier_facts",
            },
        ),
        migrations.CreateModel(
            name="Block",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "begin_step",
                    models.BigIntegerField(db_default=sites.models.dated.CurrentStep(), editable=False),
                ),
                ("end_step", models.BigIntegerField(blank=True, editable=False, null=True)),
                ("name", models.CharField(max_length=80)),
                (
                    "kind",
                    models.CharField(
                        choices=[
                            ("66_split", "66-type, split: bridging clips"),
                            ("66_unsplit", "66-type, unsplit: no clips"),
                            ("110", "110-type: isolated by lifting the cross-connect"),
                            ("screw", "screw strip"),
                        ],
                        max_length=12,
                    ),
                ),
                ("row_count", models.PositiveSmallIntegerField(default=50)),
                ("note", models.TextField(blank=True)),
                (
                    "change_set",
                    models.ForeignKey(
                        db_constraint=False,
                        db_default=sites.models.dated.CurrentChangeSet(),
                        db_index=False,
                        editable=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="sites.changeset",
                    ),
                ),
                (
                    "closet",
                    models.ForeignKey(
                        db_constraint=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="blocks",
                        to="sites.closet",
                    ),
                ),
                (
                    "site",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="+", to="sites.site"
                    ),
                ),
            ],
            options={
                "db_table": "block",
                "ordering": ["name", "id"],
            },
        ),
        migrations.CreateModel(
            name="Endpoint",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "begin_step",
                    models.BigIntegerField(db_default=sites.models.dated.CurrentStep(), editable=False),
                ),
                ("end_step", models.BigIntegerField(blank=True, editable=False, null=True)),
                ("name", models.CharField(max_length=80)),
                (
                    "place",
                    models.CharField(
                        blank=True, help_text="Where to find it when it is not in a closet.", max_length=200
                    ),
                ),
                ("serial", models.CharField(blank=True, max_length=80)),
                ("mac", models.CharField(blank=True, max_length=17)),
                ("firmware", models.CharField(blank=True, max_length=60)),
                ("configuration_backup", models.CharField(blank=True, max_length=200)),
                ("warranty_end", models.DateField(blank=True, null=True)),
                ("note", models.TextField(blank=True)),
                (
                    "change_set",
                    models.ForeignKey(
                        db_constraint=False,
                        db_default=sites.models.dated.CurrentChangeSet(),
                        db_index=False,
                        editable=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="sites.changeset",
                    ),
                ),
                (
                    "closet",
                    models.ForeignKey(
                        blank=True,
                        db_constraint=False,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="endpoints",
                        to="sites.closet",
                    ),
                ),
                (
                    "site",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="+", to="sites.site"
                    ),
                ),
            ],
            options={
                "db_table": "endpoint",
                "ordering": ["name", "id"],
            },
        ),
        migrations.CreateModel(
            name="Output",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "begin_step",
                    models.BigIntegerField(db_default=sites.models.dated.CurrentStep(), editable=False),
                ),
                ("end_step", models.BigIntegerField(blank=True, editable=False, null=True)),
                ("number", models.PositiveSmallIntegerField()),
                (
                    "terminal",
                    models.CharField(
                        choices=[
                            ("screw", "screw terminals"),
                            ("jack", "modular jack, patched to a block"),
                            ("unknown", "unknown"),
                        ],
                        default="unknown",
                        max_length=10,
                    ),
                ),
                (
                    "change_set",
                    models.ForeignKey(
                        db_constraint=False,
                        db_default=sites.models.dated.CurrentChangeSet(),
                        db_index=False,
                        editable=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="sites.changeset",
                    ),
                ),
                (
                    "endpoint",
                    models.ForeignKey(
                        db_constraint=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="outputs",
                        to="sites.endpoint",
                    ),
                ),
                (
                    "site",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="+", to="sites.site"
                    ),
                ),
            ],
            options={
                "db_table": "output",
                "ordering": ["endpoint_id", "number"],
            },
        ),
        migrations.CreateModel(
            name="Supply",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "begin_step",
                    models.BigIntegerField(db_default=sites.models.dated.CurrentStep(), editable=False),
                ),
                ("end_step", models.BigIntegerField(blank=True, editable=False, null=True)),
                ("name", models.CharField(max_length=80)),
                ("outlet", models.CharField(blank=True, max_length=120)),
                ("breaker", models.CharField(blank=True, max_length=120)),
                ("ups", models.CharField(blank=True, max_length=120)),
                ("battery_installed_on", models.DateField(blank=True, null=True)),
                ("note", models.TextField(blank=True)),
                (
                    "change_set",
                    models.ForeignKey(
                        db_constraint=False,
                        db_default=sites.models.dated.CurrentChangeSet(),
                        db_index=False,
                        editable=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="sites.changeset",
                    ),
                ),
                (
                    "closet",
                    models.ForeignKey(
                        db_constraint=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="supplies",
                        to="sites.closet",
                    ),
                ),
                (
                    "site",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="+", to="sites.site"
                    ),
                ),
            ],
            options={
                "db_table": "supply",
                "ordering": ["name", "id"],
            },
        ),
        migrations.CreateModel(
            name="SupplyFacts",
            fields=[
                ("step", models.BigIntegerField(db_default=sites.models.dated.CurrentStep(), editable=False)),
                (
                    "pk",
                    models.CompositePrimaryKey(
                        "supply_id", "step", blank=True, editable=False, primary_key=True, serialize=False
                    ),
                ),
                (
                    "change_set",
                    models.ForeignKey(
                        db_constraint=False,
                        db_default=sites.models.dated.CurrentChangeSet(),
                        db_index=False,
                        editable=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="sites.changeset",
                    ),
                ),
                (
                    "model",
                    models.ForeignKey(
                        blank=True,
                        help_text="Blank: unknown, so nothing it feeds can be judged.",
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="sites.devicemodel",
                    ),
                ),
                (
                    "site",
                    models.ForeignKey(
                        db_constraint=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="sites.site",
                    ),
                ),
                (
                    "supply",
                    models.ForeignKey(
                        db_constraint=False,
                        db_index=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="facts",
                        to="sites.supply",
                    ),
                ),
            ],
            options={
                "db_table": "supply_facts",
            },
        ),
        migrations.CreateModel(
            name="Switch",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "begin_step",
                    models.BigIntegerField(db_default=sites.models.dated.CurrentStep(), editable=False),
                ),
                ("end_step", models.BigIntegerField(blank=True, editable=False, null=True)),
                ("name", models.CharField(max_length=80)),
                (
                    "owner",
                    models.CharField(
                        choices=[
                            ("integrator", "integrator"),
                            ("customer", "customer: do not touch"),
                            ("unknown", "unknown: do not touch"),
                        ],
                        default="unknown",
                        max_length=12,
                    ),
                ),
                ("serial", models.CharField(blank=True, max_length=80)),
                ("note", models.TextField(blank=True)),
                (
                    "change_set",
                    models.ForeignKey(
                        db_constraint=False,
                        db_default=sites.models.dated.CurrentChangeSet(),
                        db_index=False,
                        editable=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="sites.changeset",
                    ),
                ),
                (
                    "closet",
                    models.ForeignKey(
                        db_constraint=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="switches",
                        to="sites.closet",
                    ),
                ),
                (
                    "site",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="+", to="sites.site"
                    ),
                ),
            ],
            options={
                "db_table": "switch",
                "ordering": ["name", "id"],
            },
        ),
        migrations.CreateModel(
            name="SwitchFacts",
            fields=[
                ("step", models.BigIntegerField(db_default=sites.models.dated.CurrentStep(), editable=False)),
                (
                    "pk",
                    models.CompositePrimaryKey(
                        "switch_id", "step", blank=True, editable=False, primary_key=True, serialize=False
                    ),
                ),
                (
                    "power_supply_count",
                    models.PositiveSmallIntegerField(
                        blank=True,
                        help_text="Power supplies fitted; with one, losing it loses all. Blank: unknown.",
                        null=True,
                    ),
                ),
                (
                    "usage_threshold",
                    models.FloatField(
                        blank=True, help_text="Fraction 0.01–0.99 (RFC 3621); blank: 0.8.", null=True
                    ),
                ),
                (
                    "change_set",
                    models.ForeignKey(
                        db_constraint=False,
                        db_default=sites.models.dated.CurrentChangeSet(),
                        db_index=False,
                        editable=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="sites.changeset",
                    ),
                ),
                (
                    "model",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="sites.devicemodel",
                    ),
                ),
                (
                    "site",
                    models.ForeignKey(
                        db_constraint=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="sites.site",
                    ),
                ),
                (
                    "switch",
                    models.ForeignKey(
                        db_constraint=False,
                        db_index=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="facts",
                        to="sites.switch",
                    ),
                ),
            ],
            options={
                "db_table": "switch_facts",
            },
        ),
        migrations.CreateModel(
            name="SwitchPort",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "begin_step",
                    models.BigIntegerField(db_default=sites.models.dated.CurrentStep(), editable=False),
                ),
                ("end_step", models.BigIntegerField(blank=True, editable=False, null=True)),
                ("number", models.PositiveSmallIntegerField()),
                (
                    "change_set",
                    models.ForeignKey(
                        db_constraint=False,
                        db_default=sites.models.dated.CurrentChangeSet(),
                        db_index=False,
                        editable=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="sites.changeset",
                    ),
                ),
                (
                    "site",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="+", to="sites.site"
                    ),
                ),
                (
                    "switch",
                    models.ForeignKey(
                        db_constraint=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="ports",
                        to="sites.switch",
                    ),
                ),
            ],
            options={
                "db_table": "switch_port",
                "ordering": ["switch_id", "number"],
            },
        ),
        migrations.CreateModel(
            name="EndpointFacts",
            fields=[
                ("step", models.BigIntegerField(db_default=sites.models.dated.CurrentStep(), editable=False)),
                (
                    "pk",
                    models.CompositePrimaryKey(
                        "endpoint_id", "step", blank=True, editable=False, primary_key=True, serialize=False
                    ),
                ),
                (
                    "power_source",
                    models.CharField(
                        choices=[
                            ("port", "PoE from a switch port"),
                            ("injector", "midspan injector"),
                            ("adapter", "plug-in adapter"),
                            ("mains", "mains"),
                            ("unknown", "unknown"),
                        ],
                        default="unknown",
                        max_length=10,
                    ),
                ),
                ("negotiated_class", models.PositiveSmallIntegerField(blank=True, null=True)),
                (
                    "negotiated_power_w",
                    models.FloatField(blank=True, help_text="Power the switch granted (LLDP).", null=True),
                ),
                ("cable_length_m", models.FloatField(blank=True, null=True)),
                (
                    "cable_length_basis",
                    models.PositiveSmallIntegerField(
                        choices=[
                            (0, "unknown"),
                            (1, "guessed"),
                            (2, "drawing"),
                            (3, "marked"),
                            (4, "measured"),
                        ],
                        default=0,
                    ),
                ),
                ("address", models.GenericIPAddressField(blank=True, null=True)),
                ("vlan", models.PositiveIntegerField(blank=True, null=True)),
                ("multicast_group", models.GenericIPAddressField(blank=True, null=True)),
                ("page_code", models.CharField(blank=True, max_length=20)),
                (
                    "cable_type",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="sites.cabletype",
                    ),
                ),
                (
                    "change_set",
                    models.ForeignKey(
                        db_constraint=False,
                        db_default=sites.models.dated.CurrentChangeSet(),
                        db_index=False,
                        editable=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="sites.changeset",
                    ),
                ),
                (
                    "endpoint",
                    models.ForeignKey(
                        db_constraint=False,
                        db_index=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="facts",
                        to="sites.endpoint",
                    ),
                ),
                (
                    "model",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="sites.devicemodel",
                    ),
                ),
                (
                    "site",
                    models.ForeignKey(
                        db_constraint=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="sites.site",
                    ),
                ),
                (
                    "port",
                    models.ForeignKey(
                        blank=True,
                        db_constraint=False,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="sites.switchport",
                    ),
                ),
            ],
            options={
                "db_table": "endpoint_facts",
            },
        ),
        migrations.CreateModel(
            name="SwitchPortFacts",
            fields=[
                ("step", models.BigIntegerField(db_default=sites.models.dated.CurrentStep(), editable=False)),
                (
                    "pk",
                    models.CompositePrimaryKey(
                        "port_id", "step", blank=True, editable=False, primary_key=True, serialize=False
                    ),
                ),
                (
                    "priority",
                    models.CharField(
                        choices=[("critical", "critical"), ("high", "high"), ("low", "low")],
                        default="low",
                        max_length=10,
                    ),
                ),
                (
                    "other_load",
                    models.CharField(
                        blank=True, help_text="What else hangs on it; blank: nothing else.", max_length=120
                    ),
                ),
                ("other_load_class", models.PositiveSmallIntegerField(blank=True, null=True)),
                (
                    "other_load_power_w",
                    models.FloatField(blank=True, help_text="Allocated power where it is known.", null=True),
                ),
                (
                    "change_set",
                    models.ForeignKey(
                        db_constraint=False,
                        db_default=sites.models.dated.CurrentChangeSet(),
                        db_index=False,
                        editable=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="sites.changeset",
                    ),
                ),
                (
                    "port",
                    models.ForeignKey(
                        db_constraint=False,
                        db_index=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="facts",
                        to="sites.switchport",
                    ),
                ),
                (
                    "site",
                    models.ForeignKey(
                        db_constraint=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="sites.site",
                    ),
                ),
            ],
            options={
                "db_table": "switch_port_facts",
            },
        ),
        migrations.AddConstraint(
            model_name="amplifier",
            constraint=models.UniqueConstraint(fields=("site", "id"), name="amplifier_of_site"),
        ),
        migrations.AddConstraint(
            model_name="amplifier",
            constraint=models.UniqueConstraint(
                condition=models.Q(("end_step__isnull", True)),
                fields=("site", "name"),
                name="amplifier_name_once_a_site",
            ),
        ),
        migrations.AddConstraint(
            model_name="amplifierfacts",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("line_voltage_v__isnull", True), ("line_voltage_v__gt", 0), _connector="OR"
                ),
                name="amplifier_facts_line_voltage_positive",
            ),
        ),
        migrations.AddConstraint(
            model_name="block",
            constraint=models.UniqueConstraint(fields=("site", "id"), name="block_of_site"),
        ),
        migrations.AddConstraint(
            model_name="block",
            constraint=models.UniqueConstraint(
                condition=models.Q(("end_step__isnull", True)),
                fields=("site", "name"),
                name="block_name_once_a_site",
            ),
        ),
        migrations.AddConstraint(
            model_name="block",
            constraint=models.CheckConstraint(
                condition=models.Q(("row_count__gte", 1), ("row_count__lte", 400)), name="block_rows_1_to_400"
            ),
        ),
        migrations.AddConstraint(
            model_name="endpoint",
            constraint=models.UniqueConstraint(fields=("site", "id"), name="endpoint_of_site"),
        ),
        migrations.AddConstraint(
            model_name="endpoint",
            constraint=models.UniqueConstraint(
                condition=models.Q(("end_step__isnull", True)),
                fields=("site", "name"),
                name="endpoint_name_once_a_site",
            ),
        ),
        migrations.AddConstraint(
            model_name="output",
            constraint=models.UniqueConstraint(fields=("site", "id"), name="output_of_site"),
        ),
        migrations.AddConstraint(
            model_name="output",
            constraint=models.UniqueConstraint(
                condition=models.Q(("end_step__isnull", True)),
                fields=("endpoint", "number"),
                name="output_number_once_an_endpoint",
            ),
        ),
        migrations.AddConstraint(
            model_name="output",
            constraint=models.CheckConstraint(
                condition=models.Q(("number__gte", 1)), name="output_number_from_1"
            ),
        ),
        migrations.AddConstraint(
            model_name="supply",
            constraint=models.UniqueConstraint(fields=("site", "id"), name="supply_of_site"),
        ),
        migrations.AddConstraint(
            model_name="supply",
            constraint=models.UniqueConstraint(
                condition=models.Q(("end_step__isnull", True)),
                fields=("site", "name"),
                name="supply_name_once_a_site",
            ),
        ),
        migrations.AddConstraint(
            model_name="switch",
            constraint=models.UniqueConstraint(fields=("site", "id"), name="switch_of_site"),
        ),
        migrations.AddConstraint(
            model_name="switch",
            constraint=models.UniqueConstraint(
                condition=models.Q(("end_step__isnull", True)),
                fields=("site", "name"),
                name="switch_name_once_a_site",
            ),
        ),
        migrations.AddConstraint(
            model_name="switchfacts",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("usage_threshold__isnull", True),
                    models.Q(("usage_threshold__gte", 0.01), ("usage_threshold__lte", 0.99)),
                    _connector="OR",
                ),
                name="switch_facts_usage_threshold_1_to_99_percent",
            ),
        ),
        migrations.AddConstraint(
            model_name="switchport",
            constraint=models.UniqueConstraint(fields=("site", "id"), name="switch_port_of_site"),
        ),
        migrations.AddConstraint(
            model_name="switchport",
            constraint=models.UniqueConstraint(
                condition=models.Q(("end_step__isnull", True)),
                fields=("switch", "number"),
                name="switch_port_number_once_a_switch",
            ),
        ),
        migrations.AddConstraint(
            model_name="endpointfacts",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("cable_length_basis", 0), ("cable_length_m__isnull", True)),
                    models.Q(("cable_length_basis__gt", 0), ("cable_length_m__gte", 0)),
                    _connector="OR",
                ),
                name="endpoint_facts_length_and_basis",
            ),
        ),
        migrations.AddConstraint(
            model_name="endpointfacts",
            constraint=models.CheckConstraint(
                condition=models.Q(("port__isnull", True), ("power_source", "port"), _connector="OR"),
                name="endpoint_facts_port_means_power_from_it",
            ),
        ),
        migrations.AddConstraint(
            model_name="endpointfacts",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("negotiated_class__isnull", True), ("negotiated_class__lte", 8), _connector="OR"
                ),
                name="endpoint_facts_class_0_to_8",
            ),
        ),
        migrations.AddConstraint(
            model_name="endpointfacts",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("negotiated_power_w__isnull", True), ("negotiated_power_w__gte", 0), _connector="OR"
                ),
                name="endpoint_facts_negotiated_power_not_negative",
            ),
        ),
        migrations.AddConstraint(
            model_name="endpointfacts",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("vlan__isnull", True), models.Q(("vlan__gte", 1), ("vlan__lte", 4094)), _connector="OR"
                ),
                name="endpoint_facts_vlan_1_to_4094",
            ),
        ),
        migrations.AddConstraint(
            model_name="switchportfacts",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("other_load_class__isnull", True), ("other_load_class__lte", 8), _connector="OR"
                ),
                name="switch_port_facts_class_0_to_8",
            ),
        ),
        migrations.AddConstraint(
            model_name="switchportfacts",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("other_load_power_w__isnull", True), ("other_load_power_w__gte", 0), _connector="OR"
                ),
                name="switch_port_facts_power_not_negative",
            ),
        ),
    ]
