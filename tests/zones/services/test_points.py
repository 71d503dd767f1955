from tests import factories

def test_smoke(run, technician):
    pts = factories.make_points(run, 3)
    from zones.services.points import point_insert
    r = point_insert(factories.change(run.site, user=technician, happened_on=__import__("datetime").date(2025,1,1)), before=pts[1])
    f = r.result.facts.get()
    assert f.length_m == 3.0
